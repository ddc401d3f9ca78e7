"""How a strip lies as the borders of its pictures tell, where film edges and holes are hidden."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.film_edge import robust_line
from pipeline.kinds import Float64, Plane

_CLEAR_DENSITY = 0.04
_PICTURE_DENSITY = 0.08
_PICTURE_RUN = 3
_REACH_MM = 4.0
_LEAST_LENGTH_MM = 10.0
_SAME_SLOPE = 0.002
_TOLERANCE_MM = 0.06
_LEAST_GAP_MM = 0.5
_GAP_SHARE = 0.85
_LEAST_FALL = 0.85
_LEAST_POINTS = 20
_LEAST_SHARE = 0.25


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
            found.append((sign * border[0], border[1]))
    if not found:
        return None
    slopes, weights = np.array(sorted(found)).T
    middle = np.searchsorted(np.cumsum(weights), weights.sum() / 2)
    near = np.abs(slopes - slopes[middle]) < _SAME_SLOPE
    return float(np.average(slopes[near], weights=np.sqrt(weights[near])))


def _outward(density: Plane, px_per_mm: float) -> Iterator[tuple[float, Plane]]:
    """Yield planes whose rows lead from clear film into pictures, with the sign of their slope."""
    reach = max(8, round(_REACH_MM * px_per_mm))
    clear = (density < _CLEAR_DENSITY).mean(axis=0) > _GAP_SHARE
    steps = np.flatnonzero(np.diff(np.pad(clear.astype(np.int8), 1)))
    gaps = [
        (first, end)
        for first, end in zip(steps[::2], steps[1::2], strict=True)
        if end - first >= max(2.0, _LEAST_GAP_MM * px_per_mm)
    ]
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


def _border(plane: Plane, px_per_mm: float, most_slope: float) -> tuple[float, float] | None:
    """Return slope and weight of the line where pictures begin below clear film, or None."""
    dense = plane > _PICTURE_DENSITY
    if plane.shape[0] < _PICTURE_RUN + 2:
        return None
    runs = dense[: 1 - _PICTURE_RUN].copy()
    for step in range(1, _PICTURE_RUN):
        runs &= dense[step : dense.shape[0] - _PICTURE_RUN + 1 + step]
    rows = np.argmax(runs, axis=0)
    columns = np.arange(plane.shape[1])
    begins = runs[rows, columns] & (rows > 0)
    begins[begins] &= plane[0, columns[begins]] < _PICTURE_DENSITY
    x, row = columns[begins], rows[begins]
    if len(x) < max(_LEAST_POINTS, _LEAST_SHARE * plane.shape[1]):
        return None
    y = _begin(plane, x, row)
    x, y = x[np.isfinite(y)], y[np.isfinite(y)]
    if len(x) < _LEAST_POINTS:
        return None
    tolerance = max(0.4, _TOLERANCE_MM * px_per_mm)
    slope, level = robust_line(x.astype(float), y, tolerance, most_slope)
    near = x[np.abs(y - slope * x - level) < tolerance]
    if len(near) < max(_LEAST_POINTS, _LEAST_SHARE * len(x)):
        return None
    return slope, len(near) * float(near.std()) ** 2


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
