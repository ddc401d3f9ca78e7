"""The compiled loops over a scan's light and a strip's view; importing them loads the compiler."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.kinds import Float32, Numbers, Whole

Points = NDArray[np.float32]
Bins = NDArray[np.int32]

_POINTS, _WHOLE = "float32[:,::1]", "int64[::1]"


@compiled("void(float64[:,::1], float64, int64[:,::1])")
def fullest_windows(rests: Numbers, width: float, found: Whole) -> None:
    """Fill (n, 2) with the start of the first fullest window of each row, and what it holds.

    Parameters
    ----------
    rests
        (n, points), each row in ascending order.
    width
        Width of a window, its ends counted in.
    """
    tries, points = rests.shape
    for index in range(tries):
        rest, stop, most, at = rests[index], 0, 0, 0
        for start in range(points):
            limit = rest[start] + width
            while stop < points and rest[stop] <= limit:
                stop += 1
            if stop - start > most:
                most, at = stop - start, start
        found[index, 0], found[index, 1] = at, most


@compiled("void(boolean[:,::1], int64, int64[::1])")
def first_runs(film: NDArray[np.bool_], run: int, first: Whole) -> None:
    """Fill in the first row of each column from which film goes on for `run` rows, else -1."""
    height, width = film.shape
    long = np.zeros(width, np.int64)
    first[:] = -1
    left = width
    for row in range(height):
        for column in range(width):
            long[column] = long[column] + 1 if film[row, column] else 0
            if long[column] == run and first[column] < 0:
                first[column] = row - run + 1
                left -= 1
        if not left:
            break


@compiled(f"int64({_POINTS}, float32, float32, int32[:,::1], {_POINTS}, {_WHOLE}, {_WHOLE})")
def bins_of(
    points: Float32, darkest: Any, width: Any, bins: Bins, inside: Float32, low: Whole, high: Whole
) -> int:
    """Copy the points all of whose channels lie above `darkest`, with their bins; count them.

    Parameters
    ----------
    points
        (n, 3).
    width
        Width of a bin.
    bins, inside
        (n, 3), filled from the first row on.
    low, high
        (3), filled with the least and greatest bin of each channel.
    """
    count = 0
    for at in range(len(points)):
        if min(min(points[at, 0], points[at, 1]), points[at, 2]) > darkest:
            for channel in range(3):
                value = points[at, channel]
                inside[count, channel] = value
                place = np.int32(np.floor(value / width))
                bins[count, channel] = place
                if count == 0 or place < low[channel]:
                    low[channel] = place
                if count == 0 or place > high[channel]:
                    high[channel] = place
            count += 1
    return count


@compiled(f"void({_POINTS}, {_WHOLE}, {_WHOLE}, float32[:,::1])")
def sort_by_cell(inside: Float32, cells: Whole, starts: Whole, ordered: Float32) -> None:
    """Fill (3, n) with points (n, 3) cell by cell.

    Parameters
    ----------
    cells
        (n) the cell of each point.
    starts
        Where each cell begins; moved to where it ends.
    """
    for at in range(len(cells)):
        place = starts[cells[at]]
        starts[cells[at]] = place + 1
        for channel in range(3):
            ordered[channel, place] = inside[at, channel]


@compiled(f"int64({_WHOLE}, {_WHOLE}, {_WHOLE}, {_WHOLE}, int64, float64, float64, int64[:,::1])")
def crowds(
    keys: Whole,
    counts: Whole,
    size: Whole,
    order: Whole,
    points: int,
    least_share: float,
    least_count: float,
    found: Whole,
) -> int:
    """Fill rows with cells of a crowd, -1 where there is none; return how many crowds there are.

    Parameters
    ----------
    keys, counts
        Cells that hold points, in ascending order (red, green, blue; blue the quickest), and
        how many they hold.
    size
        (3) bins of each channel.
    order
        Cells, the fullest first.
    points, least_share
        Of how many points a cell and its neighbours must hold what share.
    least_count
        A cell of fewer is the last to be looked at.
    found
        (crowds, 27), filled.
    """
    taken = np.zeros(len(keys), np.bool_)
    near = np.empty(27, np.int64)
    crowd = 0
    for cell in order:
        if taken[cell]:
            continue
        key = keys[cell]
        blue = key % size[2]
        green = (key // size[2]) % size[1]
        red = key // (size[2] * size[1])
        total, many = 0, 0
        for row in range(max(red - 1, 0), min(red + 2, size[0])):
            for column in range(max(green - 1, 0), min(green + 2, size[1])):
                first = (row * size[1] + column) * size[2]
                at = np.searchsorted(keys, first + max(blue - 1, 0))
                last = first + min(blue + 1, size[2] - 1)
                while at < len(keys) and keys[at] <= last:
                    near[many] = at
                    total += counts[at]
                    many += 1
                    at += 1
        if total / points >= least_share:
            for index in range(many):
                found[crowd, index] = near[index]
                taken[near[index]] = True
            for index in range(many, 27):
                found[crowd, index] = -1
            crowd += 1
        if counts[cell] < least_count:
            break
    return crowd
