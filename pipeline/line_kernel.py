"""The compiled loops that find lines along a strip; importing them loads the compiler."""

import numpy as np

from pipeline.compiled import compiled
from pipeline.kinds import Mask, Numbers, Whole


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
def first_runs(film: Mask, run: int, first: Whole) -> None:
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
