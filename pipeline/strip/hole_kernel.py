"""The compiled search for perforations one by one; importing it loads the compiler."""

import numpy as np

from pipeline.compiled import compiled
from pipeline.kinds import Numbers, Plane, Row, Whole

_OPEN = 0.5
# Share of its box that a hole fills at the least, what its height may be of its width, and what is
# read around it.
_LEAST_FILLED = 0.7
_LEAST_TALL, _MOST_TALL = 0.2, 2.2
_RIM_PX = 3


@compiled()
def _root(parents: Whole, run: int) -> int:
    while parents[run] != run:
        parents[run] = parents[parents[run]]
        run = parents[run]
    return run


@compiled()
def _joined_runs(share: Plane, runs: Whole, parents: Whole) -> int:
    """Fill in runs of open pixels: row, first and last column, and what they hang together with.

    Of runs that hang together over their sides the first one is the parent; return how many.
    """
    rows, columns = share.shape
    count = above = 0
    for row in range(rows):
        begun, column = count, 0
        while column < columns:
            if share[row, column] > _OPEN:
                runs[count, 0], runs[count, 1] = row, column
                while column < columns and share[row, column] > _OPEN:
                    column += 1
                runs[count, 2] = column - 1
                parents[count] = count
                count += 1
            column += 1
        other = above
        for run in range(begun, count):
            while other < begun and runs[other, 2] < runs[run, 1]:
                other += 1
            at = other
            while at < begun and runs[at, 1] <= runs[run, 2]:
                one, two = _root(parents, at), _root(parents, run)
                parents[max(one, two)] = min(one, two)
                at += 1
        above = begun
    return count


@compiled()
def _boxes(runs: Whole, parents: Whole, count: int) -> Whole:
    """Return left, top, right, bottom and area (n, 5) of what hangs together, in its order."""
    order = np.full(count, -1, np.int64)
    boxes = np.empty((count, 5), np.int64)
    found = 0
    for run in range(count):
        row, first, last = runs[run]
        root = _root(parents, run)
        if root == run:
            order[run] = found
            boxes[found, 0], boxes[found, 1], boxes[found, 2] = first, row, last
            boxes[found, 4] = 0
            found += 1
        box = boxes[order[root]]
        box[0], box[2], box[3] = min(box[0], first), max(box[2], last), row
        box[4] += last - first + 1
    return boxes[:found]


@compiled()
def _reach(profile: Row, ends: Row) -> bool:
    """Fill in where a hole begins and ends in a profile of its share of light; tell if it does.

    The light on either side of its middle tells how far it reaches, however blurred it is.
    """
    first = last = -1
    for place in range(len(profile)):
        if profile[place] > _OPEN:
            first = place if first < 0 else first
            last = place
    if first < 0:
        return False
    middle = (first + last + 1) // 2
    ends[0], ends[1] = middle - 0.5 - profile[:middle].sum(), middle - 0.5 + profile[middle:].sum()
    return True


@compiled("float64[:,::1](float32[:,::1])")
def holes_in(share: Plane) -> Numbers:
    """Return the places of open gate (h, w, more than half) that perforations may be.

    Each has its middle along the film, its length, its upper and its lower edge (n, 4), measured
    to parts of a pixel.
    """
    rows, columns = share.shape
    runs = np.empty((rows * ((columns + 1) // 2), 3), np.int64)
    parents = np.empty(len(runs), np.int64)
    boxes = _boxes(runs, parents, _joined_runs(share, runs, parents))
    measured = np.empty((len(boxes), 4))
    sides, ends = np.empty(2), np.empty(2)
    count = 0
    for left, top, right, bottom, area in boxes:
        width, tall = right - left + 1, bottom - top + 1
        if width < 3 or tall < 2 or not _LEAST_TALL * width < tall < _MOST_TALL * width:
            continue
        if area < _LEAST_FILLED * width * tall or left == 0 or right == columns - 1:
            continue
        upper, lower = max(0, top - _RIM_PX), min(rows, bottom + 1 + _RIM_PX)
        begin, end = max(0, left - _RIM_PX), min(columns, right + 1 + _RIM_PX)
        # The middle half tells the sides; corners are rounded.
        rim, edge = width // 4, tall // 4
        down, along = np.zeros(lower - upper), np.zeros(end - begin)
        for row in range(upper, lower):
            inner = share[row, left + rim : left + max(width - rim, rim + 1)]
            for value in inner:
                down[row - upper] += value
            down[row - upper] /= len(inner)
        tallest = max(tall - edge, edge + 1) - edge
        for row in range(top + edge, top + edge + tallest):
            for column in range(begin, end):
                along[column - begin] += share[row, column]
        along /= tallest
        if _reach(down, sides) and _reach(along, ends):
            measured[count, 0] = begin + (ends[0] + ends[1]) / 2
            measured[count, 1] = ends[1] - ends[0]
            measured[count, 2], measured[count, 3] = upper + sides[0], upper + sides[1]
            count += 1
    return measured[:count].copy()
