"""Evidence for frames: what a straightened strip shows, column by column."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.film_format import FilmSize

Light = NDArray[np.float32]
Row = NDArray[np.float64]


@dataclass(frozen=True)
class Evidence:
    """What a strip's view shows, column by column.

    `busy` is the share of the image's height that is denser than base, `outside` marks columns
    that are no film, `density` is the median density above base over the image's height,
    `rebate_density` the same over the rebates; `top`, `bottom` bound the image across the film.
    """

    busy: Row
    outside: NDArray[np.bool_]
    density: Row
    least_density: Row
    rebate_density: Row
    top: float
    bottom: float
    px_per_mm: float


def _crossing(profile: Row, inside: int, step: int, level: float) -> float | None:
    """Return where a profile falls through `level`, going from `inside` by `step`."""
    index = inside
    while 0 <= index + step < len(profile):
        here, there = profile[index], profile[index + step]
        if there < level <= here:
            return index + step * float((here - level) / max(here - there, 1e-9))
        index += step
    return None


def find_band(above: Light, film: FilmSize, px_per_mm: float) -> tuple[float, float]:
    """Return the rows between which the pictures of a strip lie (first and last edge, pixels).

    Parameters
    ----------
    above
        Density above base (h, w, 3) of the strip's view.
    film
        Kind of film, which gives the image's height.
    px_per_mm
        Scale of the view.
    """
    mean = above.mean(axis=2)
    share = np.clip(mean, 0.0, 0.25).mean(axis=1).astype(float) / 0.25
    height = film.image_across_mm * px_per_mm
    total = len(share)
    if height >= total - 2:
        return -0.5, total - 0.5
    whole = round(height)
    sums = np.convolve(share, np.ones(whole), "valid")
    centred = np.abs(np.arange(len(sums)) + whole / 2 - total / 2) / px_per_mm
    start = int(np.argmax(sums - 0.02 * px_per_mm * centred))
    inner = share[start + whole // 5 : start + whole - whole // 5]
    level = 0.5 * float(np.median(inner))
    middle = start + whole // 2
    search = max(2, round(1.5 * px_per_mm))
    top = _crossing(share, min(start + search, middle), -1, level)
    bottom = _crossing(share, max(start + whole - search, middle), 1, level)
    if top is None or bottom is None or abs(bottom - top - height) > 0.8 * px_per_mm:
        candidates = [
            edge
            for edge in (top, None if bottom is None else bottom - height)
            if edge is not None and abs(edge - start) < search
        ]
        first = float(np.mean(candidates)) if candidates else float(start) - 0.5
        return first, first + height
    middle_px = (top + bottom) / 2
    return middle_px - height / 2, middle_px + height / 2


def evidence(above: Light, film: FilmSize, px_per_mm: float, noise: float) -> Evidence:
    """Return the column-wise evidence of a strip's view.

    Parameters
    ----------
    above
        Density above base (h, w, 3).
    film, px_per_mm
        Kind of film and scale.
    noise
        Standard deviation of the base's density in the view.
    """
    top, bottom = find_band(above, film, px_per_mm)
    rim = 0.06 * (bottom - top)
    rows = slice(max(0, round(top + rim)), min(above.shape[0], round(bottom - rim) + 1))
    mean = above[rows].mean(axis=2)
    threshold = max(0.03, 2.5 * noise)
    busy = (mean > threshold).mean(axis=0)
    outside = (mean < -0.12).mean(axis=0) > 0.5
    rest = np.ones(above.shape[0], bool)
    rest[max(0, round(top) - 1) : round(bottom) + 2] = False
    rebate_density = _rebate_density(above[rest].mean(axis=2))
    return Evidence(
        busy=busy.astype(float),
        outside=outside,
        density=np.median(mean, axis=0).astype(float),
        least_density=np.percentile(mean, 10, axis=0).astype(float),
        rebate_density=rebate_density,
        top=top,
        bottom=bottom,
        px_per_mm=px_per_mm,
    )


def _rebate_density(rebate: NDArray[np.float32]) -> Row:
    """Return the lower-middle density of the rebate in each column, its holes left out.

    Edge print covers less than half of a rebate; where even the rest is dense, light struck.
    """
    if rebate.shape[0] < 3:
        return np.zeros(rebate.shape[1])
    film = np.where(rebate < -0.08, np.inf, rebate)
    counts = np.isfinite(film).sum(axis=0)
    ordered = np.sort(film, axis=0)
    index = np.minimum((0.35 * counts).astype(int), rebate.shape[0] - 1)
    found = ordered[index, np.arange(rebate.shape[1])]
    density: Row = np.where(counts > 2, found, 0.0).astype(float)
    return np.where(np.isfinite(density), density, 0.0)
