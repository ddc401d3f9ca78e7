"""How far across the film pictures are known to go where a holder or the scan ends before them."""

import math
from collections.abc import Sequence

import numpy as np

from pipeline.frame.gate import EdgePlace
from pipeline.kinds import Plane, Row

# Rows nearer to the view's end are blurred with what lies beyond.
_BLURRED_PX = 2
# Columns show the picture where they are so many deviations of the base denser; so large a part
# of them must, and nearly as many at the view's end as inside, for it to go on there.
_BUSY_DEVIATIONS, _LEAST_SHOWN, _GOES_ON = 3.0, 0.45, 0.8

NOWHERE = (math.inf, -math.inf)
"""What a picture reaches whose edges both show."""


def rows_reached(
    columns: Plane,
    edges: tuple[EdgePlace | None, EdgePlace | None],
    near: tuple[float, float],
    deep: float,
    noise: float,
) -> tuple[float, float]:
    """Return the rows that a picture is known to reach though its edge does not show.

    Its upper edge lies at the first or above, its lower one at the second or below; infinite
    where that is not known.

    Parameters
    ----------
    columns
        (n, rows) density above base of the picture's columns, from end to end of the view.
    edges, near
        Upper and lower edge as found, and the rows where they were looked for.
    deep
        Pixels to either side of those rows.
    noise
        Standard deviation of the base's density.
    """
    last = columns.shape[1] - 1
    top, bottom = edges
    first = math.inf if top else _outermost(columns, near[0], deep, noise)
    second = math.inf if bottom else _outermost(columns[:, ::-1], last - near[1], deep, noise)
    return first, last - second


def _outermost(columns: Plane, near: float, deep: float, noise: float) -> float:
    """Return the outermost row to judge by, where the picture is seen in all from there inwards."""
    inside = round(near + deep)
    if near > deep or inside <= _BLURRED_PX:
        return math.inf
    busy = (columns[:, _BLURRED_PX : 2 * inside] > _BUSY_DEVIATIONS * noise).mean(axis=0)
    shown = float(busy[inside - _BLURRED_PX :].mean())
    goes_on = shown > _LEAST_SHOWN and busy[: inside - _BLURRED_PX].min() > _GOES_ON * shown
    return _BLURRED_PX - 0.5 if goes_on else math.inf


def least_height(
    reached: Sequence[tuple[float, float]],
    edges: Sequence[tuple[EdgePlace | None, EdgePlace | None]],
) -> float:
    """Return the pixels that pictures are high at the least, by those that go on; 0 unknown."""
    heights = []
    for (first, second), (top, bottom) in zip(reached, edges, strict=True):
        if math.isinf(first) and math.isinf(second):
            continue
        high = top.place if top else first
        low = bottom.place if bottom else second
        if math.isfinite(high) and math.isfinite(low):
            heights.append(low - high)
    return float(np.median(heights)) if heights else 0.0


def held_to(place: Row, error: Row, reached: tuple[float, float]) -> tuple[Row, Row]:
    """Return upper and lower edge (2) no further in than the picture reaches, and their errors."""
    held = np.array([min(place[0], reached[0]), max(place[1], reached[1])])
    return held, np.hypot(error, held - place)
