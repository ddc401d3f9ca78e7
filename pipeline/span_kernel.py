"""The compiled loop over the columns of a strip; importing it loads the compiler."""

import math

import numpy as np

from pipeline.compiled import compiled
from pipeline.kinds import Row, Whole

PICTURE, PARTIAL, BLANK = 0, 1, 2
_ROW, _WHOLE = "float64[::1]", "int64[::1]"


@compiled()
def _before(
    start: int,
    score: float,
    best: Row,
    gap: Row,
    steps: Whole,
    gap_cost: Row,
    pitch: int,
    long_cost: float,
) -> tuple[float, int]:
    """Return the best score of all up to a frame's start, and where the frame before ends.

    `score` is that of a first frame.
    """  # fmt: skip
    came, size = -1, len(best) - 1
    top, at = -np.inf, -1
    for index in range(len(steps)):
        end = start - steps[index]
        if 0 <= end <= size:
            clear = gap[start] - gap[min(end, start)] if end < start else 0.0
            total = best[end] + clear - gap_cost[index]
            if total > top:
                top, at = total, end
    if top > score:
        score, came = top, at
    # A gap with room for a frame in it is a blank frame.
    top, at = -np.inf, -1
    for far in range(max(0, start - pitch + 1), max(0, start - steps[-1])):
        total = best[far] - gap[far]
        if total > top:
            top, at = total, far
    if top + gap[start] - long_cost > score:
        score, came = top + gap[start] - long_cost, at
    return score, came


@compiled(
    f"void({_ROW}, {_ROW}, {_ROW}, {_ROW}, {_ROW}, {_WHOLE}, {_ROW}, {_WHOLE}, {_ROW},"
    f" {_WHOLE}, {_ROW}, {_ROW}, {_WHOLE}, {_WHOLE}, {_WHOLE})"
)
def best_ends(
    picture: Row,
    gap: Row,
    rise: Row,
    fall: Row,
    lead_cost: Row,
    steps: Whole,
    gap_cost: Row,
    widths: Whole,
    width_cost: Row,
    lengths: Whole,
    costs: Row,
    best: Row,
    came: Whole,
    starts: Whole,
    kinds: Whole,
) -> None:
    """Fill in the best score of all frames that end at a column, and the last of them.

    Parameters
    ----------
    picture, gap, rise, fall, lead_cost
        Running sums and scores at the columns' borders.
    steps, gap_cost, widths, width_cost
        Gaps and widths that are tried, in columns, and what they cost.
    lengths
        The gate's width, its pitch, the least part of a picture, and from where it is whole.
    costs
        Of a long gap, a frame, a blank, a cut frame, a partial one, and the weight of edges.
    best, came, starts, kinds
        Filled: score, end of the frame before (-1: none), start and kind.
    """  # fmt: skip
    size = len(best) - 1
    width, pitch, least_part, nearly = lengths
    long_cost, frame, blank, cut, partial, weight = costs
    for part in range(least_part, min(width, size + 1)):
        whole = part >= nearly
        score = picture[part] - frame + weight * fall[part]
        score -= cut if whole else partial
        if score > best[part]:
            best[part], came[part], starts[part] = score, -1, 0
            kinds[part] = PICTURE if whole else PARTIAL
    for start in range(size):
        first = gap[start] - lead_cost[start]
        score, origin = _before(start, first, best, gap, steps, gap_cost, pitch, long_cost)
        if not math.isfinite(score):
            continue
        every = True
        for index in range(len(widths)):
            end = start + widths[index]
            if end > size:
                every = False
                continue
            inside = picture[end] - picture[start]
            edges = weight * (rise[start] + fall[end])
            total = score + inside + edges - frame - width_cost[index]
            if total > best[end]:
                best[end], came[end], starts[end], kinds[end] = total, origin, start, PICTURE
        end = start + width
        if end <= size:
            total = score + (gap[end] - gap[start]) - blank
            if total > best[end]:
                best[end], came[end], starts[end], kinds[end] = total, origin, start, BLANK
        if not every and least_part <= size - start < widths[-1]:
            whole = size - start >= nearly
            inside = picture[size] - picture[start]
            total = score + inside + weight * rise[start] - frame
            total -= cut if whole else partial
            if total > best[size]:
                best[size], came[size], starts[size] = total, origin, start
                kinds[size] = PICTURE if whole else PARTIAL
