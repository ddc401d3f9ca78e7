"""Film base of a strip: its light in rebate and gaps, and the density that makes; a strip's view.

A view is the strip's part of the proxy, turned to lie level, and the way back.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import greatest, least, less, log_above
from pipeline.kinds import Corners, Float32, Float64, Floats, Light, Mask, Triple, as_triple
from pipeline.strip.density import Illumination, to_density

_CLEAR_OF_EDGES_MM = 0.35
_LEAST_AREA_MM2 = 4.0
_LEAST_LIGHT = 1e-5


@dataclass(frozen=True)
class FilmBase:
    """Film base of one strip, under the illumination of its scan.

    `density` is ISO 5-2 or relative (see `Illumination`); `spread` the standard deviation of
    density over the measured area; `light` the linear light at the strip's middle; `shading`
    (3 channels of 4 terms 1, x, x^2, y with x, y from -1 to 1 over the strip's view, or 5 with
    y^2 where more than a strip tells of the light) the log10 light over the strip, whose lamp is
    never quite even.
    """

    density: Triple
    spread: Triple
    area_mm2: float
    light: Triple
    shading: tuple[tuple[float, ...], ...]
    illumination: Illumination

    def log_light(self, x: Floats, y: Floats) -> Float32:
        """Return log10 base light less dark (..., 3) at places -1 to 1 of the strip's view."""
        terms = np.asarray(self.shading)
        every = np.stack(np.broadcast_arrays(np.ones_like(x), x, x * x, y, y * y), axis=-1)
        found: Float32 = (every[..., : terms.shape[1]] @ terms.T).astype(np.float32)
        return found


def places(shape: tuple[int, int]) -> tuple[Float64, Float64]:
    """Return x (1, w) and y (h, 1) of a view's pixels, from -1 to 1."""
    height, width = shape
    return np.linspace(-1, 1, width)[None, :], np.linspace(-1, 1, height)[:, None]


def density_above(light: Light, base: FilmBase) -> Light:
    """Return density above base (h, w, 3) of a strip's view, the lamp's shading taken out."""
    x, y = places(light.shape[:2])
    terms = np.asarray(base.shading)
    across = _terms(x[0], np.zeros(x.shape[1])) @ terms[:, :4].T
    above = log_above(light, base.illumination.dark, _LEAST_LIGHT)
    for row, down in zip(above, _down(y, terms), strict=True):
        np.subtract((across + down).astype(np.float32), row, out=row)
    return above


def _down(y: Float64, terms: Float64) -> Float64:
    """Return what a shading's terms (3, 4 or 5) make of places y (n, 1), shape (n, 3)."""
    down: Float64 = y * terms[:, 3]
    return down + y * y * terms[:, 4] if terms.shape[1] > 4 else down


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
    logs = log_above(light, dark, _LEAST_LIGHT)
    off = less(logs, np.log10(np.asarray(guess, np.float32) - dark))
    like = (greatest(np.abs(off)) < 0.12) & (greatest(off) - least(off) < 0.08)
    if outside_pictures is not None:
        like &= outside_pictures
    found = _Readings.of(off, _eroded(like, px_per_mm))
    shading: Float64 | None = None
    for tolerance in (0.06, 0.04, 0.03):
        if len(found.off) < _LEAST_AREA_MM2 * px_per_mm**2:
            return None
        rest: Floats = found.off
        if shading is not None:
            rest = found.off - found.terms() @ shading.T
        level = np.array([_crowd(rest[:, channel]) for channel in range(3)])
        found = found.take(greatest(np.abs(less(rest, level))) < tolerance)
        if len(found.off) < _LEAST_AREA_MM2 * px_per_mm**2:
            return None
        shading = _fit(found)
    assert shading is not None
    return _as_base(light, found, shading, guess, illumination, px_per_mm)


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

    def terms(self) -> Float64:
        """Return the terms (n, 4) of the shading where the readings are."""
        rows, columns = np.divmod(self.at, self.shape[1])
        x, y = places(self.shape)
        return _terms(x[0].take(columns), y[:, 0].take(rows))


def _terms(x: Float64, y: Float64) -> Float64:
    """Return the terms (n, 4) of a shading at places -1 to 1."""
    terms = np.empty((len(x), 4))
    terms[:, 0], terms[:, 1], terms[:, 2], terms[:, 3] = 1.0, x, x * x, y
    return terms


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
    surface = found.terms() @ shading.T + guessed
    flat = (light.reshape(-1, 3).take(found.at, axis=0) - dark) / 10.0**surface
    x, y = places(found.shape)
    middle = np.array([1.0, x.mean(), (x * x).mean(), y.mean()])
    mean_log = shading @ middle + guessed + np.log10(flat.mean(axis=0))
    terms = shading.copy()
    terms[:, 0] += np.log10(np.asarray(guess, float) - dark) + np.log10(flat.mean(axis=0))
    mean_light = 10.0**mean_log + dark
    return FilmBase(
        density=as_triple(to_density(mean_light, illumination)),
        spread=as_triple(np.log10(np.maximum(flat, 1e-6)).std(axis=0)),
        area_mm2=float(len(found.off) / px_per_mm**2),
        light=as_triple(mean_light),
        shading=tuple(tuple(float(term) for term in row) for row in terms),
        illumination=illumination,
    )


def _eroded(mask: Mask, px_per_mm: float) -> Mask:
    """Return the mask less a rim, as far as enough of it stays."""
    for clear_mm in (_CLEAR_OF_EDGES_MM, _CLEAR_OF_EDGES_MM / 2):
        size = 2 * max(1, round(clear_mm * px_per_mm)) + 1
        inner = cv2.erode(mask.astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)
        if inner.sum() > 4 * _LEAST_AREA_MM2 * px_per_mm**2:
            return inner
    return mask


def _crowd(values: Floats) -> float:
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


def _fit(found: _Readings) -> Float64:
    """Return (3, 4) terms of a smooth surface through the log10 readings of the base."""
    terms = found.terms()
    # A ridge keeps a short or one-sided area from bending the surface where nothing is measured.
    ridge = np.diag([0.0, 0.002, 0.02, 0.02]) * len(terms)
    readings = found.off.astype(float)
    fitted: Float64 = np.linalg.solve(terms.T @ terms + ridge, terms.T @ readings).T
    return fitted


Affine = tuple[tuple[float, float, float], tuple[float, float, float]]


@dataclass(frozen=True)
class StripView:
    """A strip straightened: light (h, w, 3), scale, and the way back to the proxy's pixels."""

    light: Light
    px_per_mm: float
    to_proxy: Affine

    def of(
        self, plane: Light, how: int = cv2.INTER_CUBIC, border: int = cv2.BORDER_REPLICATE
    ) -> Light:
        """Return another plane (h, w) of the same proxy in the pixels of the view."""
        return _turned(plane, self.to_proxy, self.light.shape[:2], how, border)


def straighten(light: Light, outline: Corners, px_per_mm: float) -> StripView:
    """Return the part of a proxy inside an outline, turned so that the film lies left to right.

    Parameters
    ----------
    light
        Proxy (h, w, 3).
    outline
        Four corners, top-left, top-right, bottom-right, bottom-left (proxy pixels).
    px_per_mm
        Scale of the proxy, kept in the view.
    """
    corners = np.asarray(outline, float)
    along, across = corners[1] - corners[0], corners[3] - corners[0]
    width, height = (max(2, round(float(np.hypot(*side))) + 1) for side in (along, across))
    right = along / max(float(np.hypot(*along)), 1e-9)
    down = across / max(float(np.hypot(*across)), 1e-9)
    start = corners[0]
    to_proxy = (
        (float(right[0]), float(down[0]), float(start[0])),
        (float(right[1]), float(down[1]), float(start[1])),
    )
    view = _turned(light, to_proxy, (height, width), cv2.INTER_CUBIC, cv2.BORDER_REPLICATE)
    return StripView(view, px_per_mm, to_proxy)


def _turned(light: Light, to_proxy: Affine, size: tuple[int, ...], how: int, border: int) -> Light:
    turned = cv2.warpAffine(
        light,
        np.asarray(to_proxy),
        (size[1], size[0]),
        flags=how | cv2.WARP_INVERSE_MAP,
        borderMode=border,
    )
    return np.asarray(turned, np.float32)


def place(points: Float64, matrix: Affine) -> Float64:
    """Return (n, 2) points of a view in the proxy's pixels."""
    rows = np.asarray(matrix)
    placed: Float64 = np.asarray(points, float) @ rows[:, :2].T + rows[:, 2]
    return placed


@dataclass(frozen=True)
class FrameBase:
    """Log10 light of the film base (less dark) over one frame, as a smooth surface.

    `terms` (3 channels of 1, x, x^2, y, and y^2 where known); `left`, `right`, `top`, `bottom` are
    the x and y of the picture's sides in the strip's own coordinates (-1 to 1), in the order the
    picture is written.
    """

    terms: tuple[tuple[float, ...], ...]
    left: float
    right: float
    top: float
    bottom: float
    illumination: Illumination

    def log_light(self, rows: int, columns: int) -> tuple[Float32, Float32]:
        """Return the surface as a row part (rows, 1, 3) and a column part (1, columns, 3)."""
        terms = np.asarray(self.terms)
        x = self.left + (np.arange(columns) + 0.5) / columns * (self.right - self.left)
        y = self.top + (np.arange(rows) + 0.5) / rows * (self.bottom - self.top)
        along = terms[:, 0] + np.outer(x, terms[:, 1]) + np.outer(x * x, terms[:, 2])
        across = _down(y[:, None], terms)
        return across[:, None, :].astype(np.float32), along[None, :, :].astype(np.float32)
