"""The compiled search for lines; importing it loads the compiler."""

from pipeline.compiled import compiled
from pipeline.kinds import Numbers, Whole


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
