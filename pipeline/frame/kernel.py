"""The compiled loops that find frames and place their edges; importing them loads the compiler."""

import math

import numpy as np

from pipeline.compiled import compiled
from pipeline.kinds import SIGMA_OF_MAD, Row, Whole

PICTURE, PARTIAL, BLANK = 0, 1, 2
_ROW, _WHOLE = "float64[::1]", "int64[::1]"

# The fall from base to picture is looked at this far (pixels) on either side of the edge, and
# the picture's density taken over so many more.
BLUR_PX = 1.5
INSIDE_PX = 2
_ROUNDS = 5
_LEAST_ROWS = 4
_USUAL_SCATTER_PX = 0.3
_LEAST_SCATTER_PX, _MOST_SCATTER_PX = 0.05, 1.0
_OUTLYING = 2.5
_ROWS_ALIKE = 6.0
_USUAL_TILT = 0.01


@compiled()
def _farther(queue: Whole, ends: Whole, best: Row, gap: Row, newest: int, oldest: int) -> int:
    """Return the first of the best ends from `oldest` to `newest`, which is new; -1 for none.

    `queue` holds from `ends[0]` to `ends[1]` all that may yet be the best, best first.
    """
    if newest >= 0:
        value = best[newest] - gap[newest]
        while ends[1] > ends[0]:
            last = queue[ends[1] - 1]
            if best[last] - gap[last] >= value:
                break
            ends[1] -= 1
        queue[ends[1]] = newest
        ends[1] += 1
    while ends[1] > ends[0] and queue[ends[0]] < oldest:
        ends[0] += 1
    return queue[ends[0]] if ends[1] > ends[0] else -1


@compiled()
def _before(
    start: int,
    score: float,
    best: Row,
    picture: Row,
    gap: Row,
    kinds: Whole,
    steps: Whole,
    gap_cost: Row,
    far: int,
    long_cost: float,
) -> tuple[float, int]:
    """Return the best score of all up to a frame's start, and where the frame before ends.

    `score` is that of a first frame; `far` where the frame before ends after which a gap is
    longest and best, -1 for none.
    """  # fmt: skip
    came, size = -1, len(best) - 1
    top, at = -np.inf, -1
    for index in range(len(steps)):
        end = start - steps[index]
        if 0 <= end <= size:
            between = gap[start] - gap[end]
            if end > start:
                # Nothing shows that a blank frame lies over another.
                if kinds[end] == BLANK:
                    continue
                # What two pictures share counts for one of them.
                between = picture[start] - picture[end]
            total = best[end] + between - gap_cost[index]
            if total > top:
                top, at = total, end
    if top > score:
        score, came = top, at
    # A gap with room for a frame in it is a blank frame.
    if far >= 0 and best[far] - gap[far] + gap[start] - long_cost > score:
        score, came = best[far] - gap[far] + gap[start] - long_cost, far
    return score, came


@compiled()
def _is_barred(start: int, end: int, barred: Whole) -> bool:
    """Tell whether a frame lies where none is to be."""
    near: bool = max(abs(start - barred[0]), abs(end - barred[1])) <= barred[2]
    return near


@compiled(
    f"void({_ROW}, {_ROW}, {_ROW}, {_ROW}, {_ROW}, {_WHOLE}, {_ROW}, {_WHOLE}, {_ROW},"
    f" {_WHOLE}, {_ROW}, {_WHOLE}, {_ROW}, {_WHOLE}, {_WHOLE}, {_WHOLE})"
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
    barred: Whole,
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
        The gate's width, its pitch, the least part of a picture, from where it is whole, and how
        many of the widths are the camera's own; the others are those of other gates.
    costs
        Of a long gap, a frame, a blank, a partial one, and the weight of edges.
    barred
        Start and end of a frame that is not to be, and how near others may not be; -1 for none.
    best, came, starts, kinds
        Filled: score, end of the frame before (-1: none), start and kind.
    """  # fmt: skip
    size = len(best) - 1
    width, pitch, least_part, nearly, own = lengths
    long_cost, frame, blank, partial, weight = costs
    for part in range(least_part, min(width, size + 1)):
        whole = part >= nearly
        if _is_barred(0, part, barred):
            continue
        score = picture[part] - frame + weight * fall[part]
        # Film that is cut through one picture at both of its ends is as much rarer again.
        cuts = 2.0 if part > size - width + nearly else 1.0
        score -= 0.0 if whole else cuts * partial
        if score > best[part]:
            best[part], came[part], starts[part] = score, -1, 0
            kinds[part] = PICTURE if whole else PARTIAL
    queue, queue_ends = np.empty(size + 1, np.int64), np.zeros(2, np.int64)
    for start in range(size):
        first = gap[start] - lead_cost[start]
        newest = start - steps[-1] - 1
        far = _farther(queue, queue_ends, best, gap, newest, start - pitch + 1)
        score, origin = _before(
            start, first, best, picture, gap, kinds, steps, gap_cost, far, long_cost
        )
        if not math.isfinite(score):
            continue
        every = True
        for index in range(len(widths)):
            end = start + widths[index]
            if end > size:
                every = every and index >= own
                continue
            if _is_barred(start, end, barred):
                continue
            inside = picture[end] - picture[start]
            edges = weight * (rise[start] + fall[end])
            total = score + inside + edges - frame - width_cost[index]
            if total > best[end]:
                best[end], came[end], starts[end], kinds[end] = total, origin, start, PICTURE
        end = start + width
        if end <= size and origin <= start and not _is_barred(start, end, barred):
            total = score + (gap[end] - gap[start]) - blank
            if total > best[end]:
                best[end], came[end], starts[end], kinds[end] = total, origin, start, BLANK
        cut = not every and least_part <= size - start < widths[own - 1]
        if cut and not _is_barred(start, size, barred):
            whole = size - start >= nearly
            inside = picture[size] - picture[start]
            total = score + inside + weight * rise[start] - frame
            cuts = 2.0 if start < width - nearly else 1.0
            total -= 0.0 if whole else cuts * partial
            if total > best[size]:
                best[size], came[size], starts[size] = total, origin, start
                kinds[size] = PICTURE if whole else PARTIAL


@compiled()
def _through_rows(length: Row, error: Row, y: Row, fit: Row) -> None:
    """Fill in length at y = 0, its slope, and the standard errors of both, of all rows.

    What scenes do beside the edge scatters the rows more than noise does, and some by far.
    """
    scatter, count = _USUAL_SCATTER_PX, len(length)
    rest = np.zeros(count)
    at = slope = total = second = moment = 0.0
    for _ in range(_ROUNDS):
        # A ridge holds the slope to what gates have where few rows tell.
        total, moment, second = 0.0, 0.0, 1.0 / _USUAL_TILT**2
        whole, turned = 0.0, 0.0
        for row in range(count):
            spread = math.hypot(error[row], scatter)
            off = rest[row] / (_OUTLYING * spread)
            weight = 1.0 / (spread * spread) / (1.0 + off * off)
            total += weight
            moment += weight * y[row]
            second += weight * y[row] * y[row]
            whole += weight * length[row]
            turned += weight * y[row] * length[row]
        spanned = total * second - moment * moment
        at = (second * whole - moment * turned) / spanned
        slope = (total * turned - moment * whole) / spanned
        for row in range(count):
            rest[row] = length[row] - at - slope * y[row]
        scatter = SIGMA_OF_MAD * np.median(np.abs(rest))
        scatter = min(max(scatter, _LEAST_SCATTER_PX), _MOST_SCATTER_PX)
    spanned = total * second - moment * moment
    # Neighbouring rows see the same part of the scene: fewer tell apart than there are.
    fit[0], fit[1] = at, slope
    fit[2] = math.sqrt(_ROWS_ALIKE * second / spanned)
    fit[3] = math.sqrt(_ROWS_ALIKE * total / spanned)


@compiled("boolean(float64[:,::1], float64[::1], float64, float64, boolean, float64[::1])")
def edge_through_rows(
    part: Row, y: Row, begin: float, noise: float, over_base: bool, edge: Row
) -> bool:
    """Place an edge by the rows' fall to base or to what lies outside; tell whether it can be.

    Parameters
    ----------
    part
        (rows, columns) density above base, the picture on the right.
    y
        (rows) heights of the rows.
    begin
        A first place, in columns.
    noise
        Standard deviation of the base's density.
    over_base
        Whether what lies outside is denser than base.
    edge
        (5), filled: place at y = 0, change of place a row, the standard errors of both, share
        of the rows that are denser inside than the noise.
    """
    rows, columns = part.shape
    place, turn = begin, 0.0
    length, error, height = np.empty(rows), np.empty(rows), np.empty(rows)
    fit = np.zeros(4)
    clear = 0
    for _ in range(_ROUNDS):
        left = max(math.floor(place - BLUR_PX), 0)
        right = math.ceil(place + BLUR_PX)
        if right - left < 2 or right + INSIDE_PX > columns or (over_base and left < 2):
            return False
        clear = 0
        for row in range(rows):
            # The window follows an edge that is turned.
            moved_px = round(turn * y[row])
            first, last = left + moved_px, right + moved_px
            if first < 2 * over_base or last + INSIDE_PX > columns:
                continue
            level = (part[row, first - 2] + part[row, first - 1]) / 2 if over_base else 0.0
            inside = 0.0
            for column in range(last, last + INSIDE_PX):
                inside += part[row, column]
            contrast = inside / INSIDE_PX - level
            if contrast > 3.0 * noise / math.sqrt(INSIDE_PX):
                area = 0.0
                for column in range(first, last):
                    area += part[row, column] - level
                length[clear] = area / contrast - moved_px
                error[clear] = noise * math.sqrt(last - first) / contrast
                height[clear] = y[row]
                clear += 1
        if clear < _LEAST_ROWS:
            return False
        _through_rows(length[:clear], error[:clear], height[:clear], fit)
        moved = right - 0.5 - fit[0]
        done = abs(moved - place) < 0.02 and abs(fit[1] + turn) * rows < 1.0
        place = min(max(moved, place - 1.0), place + 1.0)
        turn = -fit[1]
        if done:
            break
    edge[0], edge[1], edge[2], edge[3] = place, -fit[1], fit[2], fit[3]
    edge[4] = clear / rows
    return True
