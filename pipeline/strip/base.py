"""Film base of a strip: its light in rebate and gaps, and the density that makes."""

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import greatest, less
from pipeline.kinds import Float32, Float64, Floats, Light, Mask, Triple, as_triple
from pipeline.strip.density import Illumination, to_density
from pipeline.strip.lightest import lighter_film
from pipeline.strip.shading import (
    as_terms,
    fit_shading,
    over_view,
    places,
    shading_near,
    shading_terms,
    surface,
)
from pipeline.turn import Turn

_CLEAR_OF_EDGES_MM = 0.35
_LEAST_AREA_MM2 = 4.0
_LEAST_LIGHT = 1e-5
_TERMS = 5
_LN_10 = float(np.log(10.0))


@dataclass(frozen=True)
class FilmBase:
    """Film base of one strip, under the illumination of its scan.

    `density` is ISO 5-2 or relative (see `Illumination`); `spread` the standard deviation of
    density over the measured area; `light` the linear light at the strip's middle; `shading`
    (3 channels of terms 1, x, x^2, y, y^2 with x, y from -1 to 1 over the strip's view) the log10
    light over the strip, whose lamp is never quite even.
    """

    density: Triple
    spread: Triple
    area_mm2: float
    light: Triple
    shading: tuple[tuple[float, ...], ...]
    illumination: Illumination

    @property
    def given(self) -> bool:
        """Tell whether it is that of another scan, so that none of it was measured in this one."""
        return not self.area_mm2

    def log_light(self, x: Floats, y: Floats) -> Float32:
        """Return log10 base light less dark (..., 3) at places -1 to 1 of the strip's view."""
        along, across = surface(np.asarray(self.shading), x, y)
        return (along + across).astype(np.float32)

    def unevenness(self) -> Float64:
        """Return the terms (3, 5) of the log10 light over the strip, as of its `light`."""
        terms = np.array(self.shading)
        terms[:, 0] -= np.log10(np.asarray(self.light) - np.asarray(self.illumination.dark))
        return terms


def density_above(light: Light, base: FilmBase) -> Light:
    """Return density above base (h, w, 3) of a strip's view, the lamp's shading taken out."""
    return _logs_over(light, base.illumination.dark, -1.0, np.asarray(base.shading))


def logs_off(light: Light, dark: Triple, terms: Float64) -> Light:
    """Return log10 light (h, w, 3) of a view less that of a base of terms (3, 5)."""
    return _logs_over(light, dark, 1.0, -terms)


def _logs_over(light: Light, dark: Triple, factor: float, terms: Float64) -> Light:
    """Return log10 of a view's light (h, w, 3) above dark times a factor, on a smooth surface.

    The surface is of terms (3, 5) and is added.
    """
    from pipeline.strip.light_kernel import logs_over

    height, width = light.shape[:2]
    x, y = places((height, width))
    along, down = (part.astype(np.float32) for part in surface(terms, x[0], y[:, 0]))
    found = np.empty((height, width, 3), np.float32)
    rows = np.ascontiguousarray(light, np.float32).reshape(height, 3 * width)
    dark_row = np.tile(np.asarray(dark, np.float32), width)
    logs_over(rows, dark_row, _LEAST_LIGHT, factor, along.ravel(), down, found.reshape(rows.shape))
    return found


def measure_base(
    light: Light,
    illumination: Illumination,
    guess: Triple,
    px_per_mm: float,
    outside_pictures: Mask | None = None,
    uneven: Float64 | None = None,
) -> FilmBase | None:
    """Return the film base of a straightened strip, or None if too little of it shows.

    Parameters
    ----------
    light
        View of the strip (h, w, 3), linear light.
    illumination
        Of the same scan.
    guess
        Light of the base as first found in the scan.
    px_per_mm
        Scale of the view.
    outside_pictures
        (h, w) true in rebate and gaps, where frames are known; only there is measured.
    uneven
        (3, 5) terms of the log10 light by which the lamp is brighter than where the guess holds.

    Notes
    -----
    The densest crowd of the lightest film is the base; edge print, dust, perforations and borders
    between them fall off on either side. Means are taken in light, where noise is symmetrical.
    """
    from pipeline.strip.light_kernel import near_nought

    known = np.zeros((3, _TERMS)) if uneven is None else uneven
    guessed = known.copy()
    guessed[:, 0] += np.log10(np.asarray(guess) - np.asarray(illumination.dark))
    off = logs_off(light, illumination.dark, guessed)
    like = np.empty(light.shape[:2], bool)
    near_nought(off, 0.12, 0.08, like)
    if outside_pictures is not None:
        like &= outside_pictures
    like = lighter_film(off, like, px_per_mm)
    found = _Readings.of(off, clear_of_edges(like, px_per_mm))
    shading: Float64 | None = None
    for tolerance in (0.06, 0.04, 0.03):
        if len(found.off) < _LEAST_AREA_MM2 * px_per_mm**2:
            return None
        rest: Floats = found.off
        if shading is not None:
            rest = found.off - found.terms @ shading.T
        level = np.array([base_crowd(rest[:, channel]) for channel in range(3)])
        found = found.take(greatest(np.abs(less(rest, level))) < tolerance)
        if len(found.off) < _LEAST_AREA_MM2 * px_per_mm**2:
            return None
        shading = fit_shading(found.terms, found.off.astype(float), found.shape)
    assert shading is not None
    return _as_base(light, found, shading + known, guess, illumination, px_per_mm)


def given_base(
    light: Triple,
    spread: Triple,
    illumination: Illumination,
    uneven: Float64,
    shape: tuple[int, int],
) -> FilmBase:
    """Return a film base that another scan showed, over a strip's view (h, w).

    `light` is that of the base where the lamp is nought, `spread` as of `FilmBase`; `uneven`
    (3, 5) are the terms of the lamp's log10 light over the view.
    """
    dark = np.asarray(illumination.dark, float)
    terms = uneven.copy()
    terms[:, 0] += np.log10(np.asarray(light, float) - dark)
    mean_light = 10.0 ** over_view(terms, shape) + dark
    return FilmBase(
        density=as_triple(to_density(mean_light, illumination)),
        spread=spread,
        area_mm2=0.0,
        light=as_triple(mean_light),
        shading=as_terms(terms),
        illumination=illumination,
    )


@dataclass(frozen=True)
class _Readings:
    """Pixels taken for base: indices (n) in the flat view, log10 light (n, 3) off a guess."""

    at: NDArray[np.intp]
    off: Light
    shape: tuple[int, int]

    @staticmethod
    def of(off: Light, like: Mask) -> "_Readings":
        """Return the readings of a view (h, w, 3) where a mask is set."""
        at = np.flatnonzero(like)
        return _Readings(at, off.reshape(-1, 3).take(at, axis=0), (like.shape[0], like.shape[1]))

    def take(self, keep: Mask) -> "_Readings":
        """Return those of the readings that a mask (n) keeps."""
        kept = np.flatnonzero(keep)
        return _Readings(self.at.take(kept), self.off.take(kept, axis=0), self.shape)

    @cached_property
    def terms(self) -> Float64:
        """Return the terms (n, 5) of the shading where the readings are."""
        rows, columns = np.divmod(self.at, self.shape[1])
        x, y = places(self.shape)
        return shading_terms(x[0].take(columns), y[:, 0].take(rows))


def _as_base(
    light: Light,
    found: _Readings,
    shading: Float64,
    guess: Triple,
    illumination: Illumination,
    px_per_mm: float,
) -> FilmBase:
    dark = np.asarray(illumination.dark, float)
    guessed = np.log10(np.asarray(guess, float) - dark)
    surface = shading @ found.terms.T + guessed[:, None]
    seen = np.ascontiguousarray(light.reshape(-1, 3).take(found.at, axis=0).T)
    # As powers of e, which are many times quicker than those of 10.
    flat = (seen - dark[:, None]) * np.exp(-_LN_10 * surface)
    mean_log = over_view(shading, found.shape) + guessed + np.log10(flat.mean(axis=1))
    terms = shading.copy()
    terms[:, 0] += np.log10(np.asarray(guess, float) - dark) + np.log10(flat.mean(axis=1))
    mean_light = 10.0**mean_log + dark
    return FilmBase(
        density=as_triple(to_density(mean_light, illumination)),
        spread=as_triple(np.log(np.maximum(flat, 1e-6)).std(axis=1) / _LN_10),
        area_mm2=float(len(found.off) / px_per_mm**2),
        light=as_triple(mean_light),
        shading=as_terms(terms),
        illumination=illumination,
    )


def clear_of_edges(mask: Mask, px_per_mm: float) -> Mask:
    """Return a mask (h, w) less a rim, as far as enough of it stays."""
    for clear_mm in (_CLEAR_OF_EDGES_MM, _CLEAR_OF_EDGES_MM / 2):
        size = 2 * max(1, round(clear_mm * px_per_mm)) + 1
        inner = cv2.erode(mask.astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)
        if inner.sum() > 4 * _LEAST_AREA_MM2 * px_per_mm**2:
            return inner
    return mask


def base_crowd(values: Floats) -> float:
    """Return where readings (n) are most crowded (half-sample mode), on the lighter side."""
    ordered = np.sort(values)
    step = max(1, len(ordered) // 20_000)
    ordered = ordered[::step]
    while len(ordered) > 200:
        half = len(ordered) // 2
        widths = ordered[half:] - ordered[: len(ordered) - half]
        start = int(np.argmin(widths))
        ordered = ordered[start : start + half]
    return float(np.median(ordered))


def shading_over(base: FilmBase, behind: Light | None, corners: Floats) -> FilmBase:
    """Return a strip's base as it lies in the scan, over a backdrop whose light was taken out.

    Parameters
    ----------
    base
        Measured as if the light behind the film were even.
    behind
        (h, w, 3) log10 light of the backdrop over the strip's view, None where it is even.
    corners
        (n, 2) points of the view, in the box around which the surface is nearest to the backdrop.
    """
    if behind is None:
        return base
    shading = np.asarray(base.shading) + shading_near(behind, corners)
    return replace(base, shading=as_terms(shading))


@dataclass(frozen=True)
class FrameBase:
    """Log10 light of the film base (less dark) over one frame, as a smooth surface.

    `terms` (3 channels of 1, x, x^2, then powers of y); `left`, `right`, `top`, `bottom` are the
    x and y of the picture's sides in the strip's own coordinates (-1 to 1), in the order the
    picture is written. Where it lies `across` the strip, left and right are y, top and bottom x.
    """

    terms: tuple[tuple[float, ...], ...]
    left: float
    right: float
    top: float
    bottom: float
    illumination: Illumination
    across: bool = False

    def log_light(self, rows: int, columns: int) -> tuple[Float32, Float32]:
        """Return the surface as a row part (rows, 1, 3) and a column part (1, columns, 3)."""
        right = self.left + (np.arange(columns) + 0.5) / columns * (self.right - self.left)
        down = self.top + (np.arange(rows) + 0.5) / rows * (self.bottom - self.top)
        x, y = (down, right) if self.across else (right, down)
        of_x, of_y = surface(np.asarray(self.terms, float), x, y)
        by_row, by_column = (of_x, of_y) if self.across else (of_y, of_x)
        return by_row[:, None, :].astype(np.float32), by_column[None, :, :].astype(np.float32)

    def turned(self, turn: Turn) -> "FrameBase":
        """Return the surface over the picture once turned."""
        left, top, right, lower = turn.sides((self.left, self.top, self.right, self.bottom))
        across = self.across != turn.swaps
        return replace(self, left=left, top=top, right=right, bottom=lower, across=across)
