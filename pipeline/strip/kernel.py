"""The compiled search for lines, and where a bent view's pixels lie; they load the compiler."""

import numpy as np

from pipeline.compiled import compiled
from pipeline.kinds import Light, Mask, Numbers, Points, Whole

# Points that scatter farther are put in order at once.
_MOST_STEPS = 10_000


@compiled()
def _most_that_fit(steps: Whole, counts: Whole) -> int:
    """Return what a window of two steps holds at the most: what the three it touches do."""
    counts[:] = 0
    for step in steps:
        counts[step] += 1
    most = 0
    for place in range(len(counts) - 2):
        most = max(most, counts[place] + counts[place + 1] + counts[place + 2])
    return most


@compiled("int64(float64[::1], float64[::1], float64[::1], float64)")
def fullest_slope(x: Numbers, y: Numbers, slopes: Numbers, width: float) -> int:
    """Return the place of the first slope along which a window holds the most points (n).

    Parameters
    ----------
    x, y
        Points.
    slopes
        Those that are tried.
    width
        Width of a window, its ends counted in.

    Notes
    -----
    Counts of points in steps of half a window tell of most slopes that they can't hold as many.
    """
    best, most = 0, 0
    rest, steps = np.empty(len(x)), np.empty(len(x), np.int64)
    farthest, lowest, span = np.abs(x).max(), y.min(), np.ptp(y)
    # A little wider, so that rounding puts no point a step too far.
    a_step = 2.0 / width * (1.0 - 1e-9)
    for index in range(len(slopes)):
        slope = slopes[index]
        reach = abs(slope) * farthest
        for place in range(len(x)):
            rest[place] = y[place] - slope * x[place]
        room = (span + 2.0 * reach) * a_step
        if room < _MOST_STEPS:
            for place in range(len(x)):
                steps[place] = int((rest[place] - lowest + reach) * a_step + 1.0)
            if _most_that_fit(steps, np.empty(int(room) + 4, np.int64)) <= most:
                continue
        rest.sort()
        stop = 0
        for start in range(len(rest)):
            limit = rest[start] + width
            while stop < len(rest) and rest[stop] <= limit:
                stop += 1
            if stop - start > most:
                most, best = stop - start, index
    return best


@compiled("void(boolean[:,:], int64, int64[::1])")
def first_runs_of(mask: Mask, run: int, found: Whole) -> None:
    """Fill in the first row (w) of each column from which a mask (h, w) is true `run` times.

    It is -1 where there is none.
    """
    rows, columns = mask.shape
    lengths = np.zeros(columns, np.int64)
    found[:] = -1
    left = columns
    for row in range(rows):
        for column in range(columns):
            if mask[row, column]:
                lengths[column] += 1
                if lengths[column] == run and found[column] < 0:
                    found[column] = row - run + 1
                    left -= 1
            else:
                lengths[column] = 0
        if left == 0:
            break


_PLACES = "float32[:,::1], float32[:,::1]"


@compiled(f"void(float64[:,::1], float64[::1], float64, float64[::1], float64, {_PLACES})")
def bent_places(
    rows: Points,
    sag: Numbers,
    lens: float,
    centre: Numbers,
    radius: float,
    x: Light,
    y: Light,
) -> None:
    """Fill (h, w) each with the columns and rows of a proxy that a bent view's pixels show.

    Parameters
    ----------
    rows
        Homography (3, 3) from the view to the proxy.
    sag
        By how many rows film lies lower (w,) in each column of the view.
    lens, centre, radius
        As of `FilmMap`: share by which a lens draws outwards, its middle (2,), and where it does.
    """
    share = lens / radius**2
    for row in range(x.shape[0]):
        for column in range(x.shape[1]):
            down = row + sag[column]
            depth = rows[2, 0] * column + rows[2, 1] * down + rows[2, 2]
            right = (rows[0, 0] * column + rows[0, 1] * down + rows[0, 2]) / depth - centre[0]
            below = (rows[1, 0] * column + rows[1, 1] * down + rows[1, 2]) / depth - centre[1]
            grown = 1.0 + share * (right * right + below * below)
            x[row, column] = centre[0] + right * grown
            y[row, column] = centre[1] + below * grown
