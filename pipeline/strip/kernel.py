"""The compiled search for lines, and where a bent view's pixels lie; they load the compiler."""

from pipeline.compiled import compiled
from pipeline.kinds import Light, Numbers, Points, Whole


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
