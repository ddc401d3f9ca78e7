"""Film base of a strip: its light in rebate and gaps, and the density that makes."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import greatest, least
from pipeline.density import Illumination, as_triple, to_density

Triple = tuple[float, float, float]
Light = NDArray[np.float32]
Mask = NDArray[np.bool_]

_CLEAR_OF_EDGES_MM = 0.35
_LEAST_AREA_MM2 = 4.0


@dataclass(frozen=True)
class FilmBase:
    """Film base of one strip.

    `density` is ISO 5-2 or relative (see `Illumination`); `spread` the standard deviation of
    density over the measured area; `light` the linear light at the strip's middle; `shading`
    (3 channels of 4 terms 1, x, x^2, y with x, y from -1 to 1 over the strip's view) the log10
    light over the strip, whose lamp is never quite even.
    """

    density: Triple
    spread: Triple
    area_mm2: float
    light: Triple
    shading: tuple[tuple[float, ...], ...]

    def log_light(self, x: NDArray[np.floating], y: NDArray[np.floating]) -> NDArray[np.float32]:
        """Return log10 base light less dark (..., 3) at places -1 to 1 of the strip's view."""
        terms = np.stack(np.broadcast_arrays(np.ones_like(x), x, x * x, y), axis=-1)
        found: NDArray[np.float32] = (terms @ np.asarray(self.shading).T).astype(np.float32)
        return found


def places(shape: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return x (1, w) and y (h, 1) of a view's pixels, from -1 to 1."""
    height, width = shape
    return np.linspace(-1, 1, width)[None, :], np.linspace(-1, 1, height)[:, None]


def density_above(light: Light, base: FilmBase, illumination: Illumination) -> Light:
    """Return density above base (h, w, 3) of a strip's view, the lamp's shading taken out."""
    dark = np.asarray(illumination.dark, np.float32)
    x, y = places(light.shape[:2])
    above: Light = base.log_light(x, y) - np.log10(np.maximum(light - dark, np.float32(1e-5)))
    return above


def measure_base(
    light: Light,
    illumination: Illumination,
    guess: Triple,
    px_per_mm: float,
    outside_pictures: Mask | None = None,
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

    Notes
    -----
    The densest crowd of readings is the base; edge print, dust, perforations and the borders
    between them fall off on either side. Means are taken in light, where noise is symmetrical.
    """
    dark = np.asarray(illumination.dark, np.float32)
    logs = np.log10(np.maximum(light - dark, 1e-5))
    off = logs - np.log10(np.asarray(guess, np.float32) - dark)
    like = (greatest(np.abs(off)) < 0.12) & (greatest(off) - least(off) < 0.08)
    if outside_pictures is not None:
        like &= outside_pictures
    found = _Readings.of(off, _eroded(like, px_per_mm))
    shading: NDArray[np.float64] | None = None
    for tolerance in (0.06, 0.04, 0.03):
        if len(found.off) < _LEAST_AREA_MM2 * px_per_mm**2:
            return None
        rest = found.off if shading is None else found.off - found.terms @ shading.T
        level = np.array([_crowd(rest[:, channel]) for channel in range(3)])
        found = found.take(greatest(np.abs(rest - level)) < tolerance)
        if len(found.off) < _LEAST_AREA_MM2 * px_per_mm**2:
            return None
        shading = _fit(found)
    assert shading is not None
    return _as_base(light, found, shading, guess, illumination, px_per_mm)


@dataclass(frozen=True)
class _Readings:
    """Pixels taken for base: indices (n) in the flat view, log10 light off a guess, terms (n, 4).

    The terms are those of the shading.
    """

    at: NDArray[np.intp]
    off: Light
    terms: NDArray[np.float64]

    @staticmethod
    def of(off: Light, like: Mask) -> "_Readings":
        """Return the readings of a view (h, w, 3) where a mask is set."""
        rows, columns = np.nonzero(like)
        x, y = places(like.shape)
        px, py = x[0, columns], y[rows, 0]
        terms = np.stack([np.ones_like(px), px, px * px, py], axis=1)
        return _Readings(np.flatnonzero(like), off[rows, columns], terms)

    def take(self, keep: Mask) -> "_Readings":
        """Return those of the readings that a mask (n) keeps."""
        return _Readings(self.at[keep], self.off[keep], self.terms[keep])


def _as_base(
    light: Light,
    found: _Readings,
    shading: NDArray[np.float64],
    guess: Triple,
    illumination: Illumination,
    px_per_mm: float,
) -> FilmBase:
    dark = np.asarray(illumination.dark, float)
    surface = _surface(shading, light.shape[:2]) + np.log10(np.asarray(guess, float) - dark)
    flat = (light.reshape(-1, 3)[found.at] - dark) / 10.0 ** surface.reshape(-1, 3)[found.at]
    mean_log = surface.reshape(-1, 3).mean(axis=0) + np.log10(flat.mean(axis=0))
    terms = shading.copy()
    terms[:, 0] += np.log10(np.asarray(guess, float) - dark) + np.log10(flat.mean(axis=0))
    mean_light = 10.0**mean_log + dark
    return FilmBase(
        density=as_triple(to_density(mean_light, illumination)),
        spread=as_triple(np.log10(np.maximum(flat, 1e-6)).std(axis=0)),
        area_mm2=float(len(found.off) / px_per_mm**2),
        light=as_triple(mean_light),
        shading=tuple(tuple(float(term) for term in row) for row in terms),
    )


def _eroded(mask: Mask, px_per_mm: float) -> Mask:
    """Return the mask less a rim, as far as enough of it stays."""
    for clear_mm in (_CLEAR_OF_EDGES_MM, _CLEAR_OF_EDGES_MM / 2):
        size = 2 * max(1, round(clear_mm * px_per_mm)) + 1
        inner = cv2.erode(mask.astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)
        if inner.sum() > 4 * _LEAST_AREA_MM2 * px_per_mm**2:
            return inner
    return mask


def _crowd(values: NDArray[np.floating]) -> float:
    """Return where the readings are most crowded (half-sample mode), on the lighter side."""
    ordered = np.sort(values)
    step = max(1, len(ordered) // 20_000)
    ordered = ordered[::step]
    while len(ordered) > 200:
        half = len(ordered) // 2
        widths = ordered[half:] - ordered[: len(ordered) - half]
        start = int(np.argmin(widths))
        ordered = ordered[start : start + half]
    return float(np.median(ordered))


def _surface(shading: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.float64]:
    x, y = places((shape[0], shape[1]))
    terms = np.stack(np.broadcast_arrays(np.ones_like(x), x, x * x, y), axis=-1)
    surface: NDArray[np.float64] = terms @ shading.T
    return surface


def _fit(found: _Readings) -> NDArray[np.float64]:
    """Return (3, 4) terms of a smooth surface through the log10 readings of the base."""
    terms = found.terms
    # A ridge keeps a short or one-sided area from bending the surface where nothing is measured.
    ridge = np.diag([0.0, 0.002, 0.02, 0.02]) * len(terms)
    readings = found.off.astype(float)
    fitted: NDArray[np.float64] = np.linalg.solve(terms.T @ terms + ridge, terms.T @ readings).T
    return fitted
