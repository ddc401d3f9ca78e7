"""Borders of pictures, which tell how film lies where its own edges are hidden."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float64, Plane
from pipeline.strip.film_edge import first_runs, robust_line

_CLEAR_DENSITY = 0.04
_PICTURE_DENSITY = 0.08
_PICTURE_RUN = 3
_REACH_MM = 4.0
_LEAST_LENGTH_MM = 10.0
_SAME_SLOPE = 0.002
_BORDER_TOLERANCE_MM = 0.06
_LEAST_GAP_MM = 0.5
_GAP_SHARE = 0.85
_LEAST_FALL = 0.85
_LEAST_POINTS = 20
_LEAST_SHARE = 0.25
# Standard error of a place on a picture's border, along which neighbours share what they see.
_POINT_PX = 1.0


def picture_slope(density: Plane, px_per_mm: float, most_slope: float) -> float | None:
    """Return the slope of the pictures' borders, or None where too little of them shows.

    Parameters
    ----------
    density
        (h, w) density above base of what shows of a strip, level but for a little.
    px_per_mm
        Scale, roughly.
    most_slope
        Steepest slope that is looked for.

    Notes
    -----
    Pictures lie parallel to the film: long borders along it, short ones across, in the gaps.
    Each counts by how closely it tells a slope: points times length squared.
    """
    found: list[tuple[float, float]] = []
    for sign, plane in _outward(density, px_per_mm):
        border = _border(plane, px_per_mm, most_slope)
        if border is not None:
            found.append((sign * border[0], border[2]))
    if not found:
        return None
    slopes, weights = np.array(sorted(found)).T
    middle = np.searchsorted(np.cumsum(weights), weights.sum() / 2)
    near = np.abs(slopes - slopes[middle]) < _SAME_SLOPE
    return float(np.average(slopes[near], weights=np.sqrt(weights[near])))


@dataclass(frozen=True)
class Bar:
    """A picture's border across the film: column = slope * row + level, pixels of the view.

    `sigma` is the standard error of the slope from how closely its points lie.
    """

    slope: float
    level: float
    sigma: float


def picture_bars(density: Plane, px_per_mm: float, most_slope: float) -> list[Bar]:
    """Return the borders that pictures have with the gaps between them, as of `picture_slope`."""
    reach = max(8, round(_REACH_MM * px_per_mm))
    bars = []
    for first, end in _gaps(density, px_per_mm):
        middle = (first + end) // 2
        sides = (
            (1.0, middle, density[:, middle : middle + reach].T),
            (-1.0, middle - 1.0, density[:, max(0, middle - reach) : middle][:, ::-1].T),
        )
        for sign, start, plane in sides:
            border = _border(plane, px_per_mm, most_slope)
            if border is not None:
                slope, level, weight = border
                bars.append(Bar(sign * slope, start + sign * level, _POINT_PX / weight**0.5))
    return bars


def _gaps(density: Plane, px_per_mm: float) -> list[tuple[int, int]]:
    """Return runs of columns, first and one past the last, that are clear film."""
    clear = (density < _CLEAR_DENSITY).mean(axis=0) > _GAP_SHARE
    steps = np.flatnonzero(np.diff(np.pad(clear.astype(np.int8), 1)))
    return [
        (int(first), int(end))
        for first, end in zip(steps[::2], steps[1::2], strict=True)
        if end - first >= max(2.0, _LEAST_GAP_MM * px_per_mm)
    ]


def _outward(density: Plane, px_per_mm: float) -> Iterator[tuple[float, Plane]]:
    """Yield planes whose rows lead from clear film into pictures, with the sign of their slope."""
    reach = max(8, round(_REACH_MM * px_per_mm))
    gaps = _gaps(density, px_per_mm)
    # Film weaves in the gate by a few hundredths of a mm from frame to frame.
    bounds = [0, *(edge for gap in gaps for edge in gap), density.shape[1]]
    for first, end in zip(bounds[::2], bounds[1::2], strict=True):
        if end - first >= _LEAST_LENGTH_MM * px_per_mm:
            yield 1.0, density[:reach, first:end]
            yield -1.0, density[::-1][:reach, first:end]
    for first, end in gaps:
        middle = (first + end) // 2
        yield -1.0, density[:, middle : middle + reach].T
        yield 1.0, density[:, max(0, middle - reach) : middle][:, ::-1].T


def _border(plane: Plane, px_per_mm: float, most_slope: float) -> tuple[float, float, float] | None:
    """Return slope, level and weight of the line where pictures begin below clear film, or None."""
    rows = first_runs(plane > _PICTURE_DENSITY, _PICTURE_RUN)
    x = np.flatnonzero((rows > 0) & (plane[0] < _PICTURE_DENSITY))
    if len(x) < max(_LEAST_POINTS, _LEAST_SHARE * plane.shape[1]):
        return None
    y = _begin(plane, x, rows[x])
    x, y = x[np.isfinite(y)], y[np.isfinite(y)]
    if len(x) < _LEAST_POINTS:
        return None
    tolerance = max(0.4, _BORDER_TOLERANCE_MM * px_per_mm)
    slope, level = robust_line(x.astype(float), y, tolerance, most_slope)
    near = x[np.abs(y - slope * x - level) < tolerance]
    # Points that lie on no line may be fitted best by one that is too steep.
    if abs(slope) > most_slope or len(near) < max(_LEAST_POINTS, _LEAST_SHARE * len(x)):
        return None
    return slope, level, len(near) * float(near.std()) ** 2


def _begin(plane: Plane, columns: NDArray[np.int64], rows: NDArray[np.int64]) -> Float64:
    """Return where pictures begin, to a part of a pixel, from the light short of clear film's.

    A camera's gate casts a soft shadow, so that a fixed density lies deeper in thinner parts.
    """
    last = plane.shape[0] - 1

    def light(offset: int) -> Float64:
        at = plane[np.clip(rows + offset, 0, last), columns]
        return np.asarray(10.0 ** -at.astype(float))

    inside = np.median([light(k) for k in (3, 4, 5)], axis=0)
    clear = sum(light(k) - inside for k in range(-3, 3)) / np.maximum(1.0 - inside, 1e-3)
    return np.asarray(np.where(inside < _LEAST_FALL, rows - 3.5 + clear, np.nan))
