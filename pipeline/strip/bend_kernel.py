"""The compiled sums over points of film that may bend; importing it loads the compiler."""

import math

import numpy as np

from pipeline.compiled import compiled
from pipeline.kinds import Mask, Numbers, Points, Whole

# Of the unknowns: shift, turn, logarithm of scale; aslant along and across, drawn out, sheared;
# three terms of a bow; the lens.
_BOW, _LENS, LEVELS = 8, 11, 12
# Deviations beyond which a point counts less and less.
_OUTLYING = 3.0
# Steps by which slopes are measured: half of the digits that a number has.
_STEP = float(np.sqrt(np.finfo(float).eps))


@compiled("float64[:,::1](float64[::1], float64[::1])")
def matrix_of(unknowns: Numbers, place: Numbers) -> Points:
    """Return the homography (3, 3) from mm on film to the proxy that unknowns make.

    `place` (8) holds the proxy's middle x and y, where that lies on film, how far the proxy's
    corners are from it in mm and in pixels, the film's middle and half its length.
    """
    scale = math.exp(unknowns[3])
    cos, sin = scale * math.cos(unknowns[2]), scale * math.sin(unknowns[2])
    aslant_x, aslant_y = unknowns[4] / place[4], unknowns[5] / place[4]
    drawn, sheared = 1.0 + unknowns[6], unknowns[7]
    x, y = place[2], place[3]
    seen = np.array([
        [drawn, sheared, -drawn * x - sheared * y],
        [0.0, 1.0, -y],
        [aslant_x, aslant_y, 1.0 - aslant_x * x - aslant_y * y],
    ])  # fmt: skip
    matrix = np.empty((3, 3))
    for column in range(3):
        right, down, depth = seen[0, column], seen[1, column], seen[2, column]
        matrix[0, column] = cos * right - sin * down + (place[0] + unknowns[0]) * depth
        matrix[1, column] = sin * right + cos * down + (place[1] + unknowns[1]) * depth
        matrix[2, column] = depth
    matrix /= seen[2, 2]
    return matrix


@compiled()
def _seen_at(
    unknowns: Numbers, matrix: Points, place: Numbers, along: float, across: float
) -> tuple[float, float]:
    """Return where a place on film (mm) is seen, proxy pixels."""
    t = (along - place[6]) / place[7]
    down = across + t * t * (
        unknowns[_BOW] + t * (unknowns[_BOW + 1] + t * unknowns[_BOW + 2])
    )  # fmt: skip
    depth = matrix[2, 0] * along + matrix[2, 1] * down + matrix[2, 2]
    x = (matrix[0, 0] * along + matrix[0, 1] * down + matrix[0, 2]) / depth - place[0]
    y = (matrix[1, 0] * along + matrix[1, 1] * down + matrix[1, 2]) / depth - place[1]
    grown = 1.0 + unknowns[_LENS] / place[5] ** 2 * (x * x + y * y)
    return place[0] + x * grown, place[1] + y * grown


@compiled()
def _off(
    unknowns: Numbers, matrix: Points, place: Numbers, along: float, across: float, seen: Numbers
) -> tuple[float, float]:
    """Return how far a place on film is seen from where it should be, along and across it."""
    x, y = _seen_at(unknowns, matrix, place, along, across)
    right, down = _seen_at(unknowns, matrix, place, along + 1.0, across)
    right, down = right - x, down - y
    length = math.sqrt(right * right + down * down)
    right, down = right / length, down / length
    x, y = seen[0] - x, seen[1] - y
    return x * right + y * down, y * right - x * down


@compiled()
def _held(off: float) -> float:
    """Return a deviation as it counts."""
    size = 2.0 * (math.sqrt(1.0 + (off / _OUTLYING) ** 2) - 1.0)
    return math.copysign(_OUTLYING * math.sqrt(size), off)


@compiled(
    "void(float64[::1], float64[::1], float64[:,::1], int64[::1], boolean[::1], float64[:,::1],"
    " float64[::1])"
)
def rests(
    unknowns: Numbers,
    place: Numbers,
    film: Points,
    line: Whole,
    hole: Mask,
    bars: Points,
    found: Numbers,
) -> None:
    """Fill in by how many standard errors points and bars are off, outliers held.

    Parameters
    ----------
    unknowns, place
        As above.
    film
        (n, 5) where points lie along and across the film (mm), where they are seen, and their
        standard error.
    line
        (n) which level of the unknowns they have.
    hole
        (n) which points tell a place along the film, too.
    bars
        (2 m, 5) ends of lines across the film, as of `film`.
    found
        (n + holes + m).
    """
    matrix = matrix_of(unknowns, place)
    count = len(film)
    for index in range(len(film)):
        along, across = film[index, 0], film[index, 1] + unknowns[LEVELS + line[index]]
        to_side, normal = _off(unknowns, matrix, place, along, across, film[index, 2:4])
        found[index] = _held(normal / film[index, 4])
        if hole[index]:
            found[count] = _held(to_side / film[index, 4])
            count += 1
    for index in range(0, len(bars), 2):
        one, two = bars[index], bars[index + 1]
        first, _ = _off(unknowns, matrix, place, one[0], one[1], one[2:4])
        second, _ = _off(unknowns, matrix, place, two[0], two[1], two[2:4])
        length = math.hypot(two[2] - one[2], two[3] - one[3])
        found[count] = _held((second - first - unknowns[-1] * length) / one[4])
        count += 1


@compiled(
    "void(float64[::1], float64[::1], float64[:,::1], int64[::1], boolean[::1], float64[:,::1],"
    " int64[::1], float64[:,::1])"
)
def steepness(
    unknowns: Numbers,
    place: Numbers,
    film: Points,
    line: Whole,
    hole: Mask,
    bars: Points,
    free: Whole,
    found: Points,
) -> None:
    """Fill in how each of the `free` unknowns changes the `rests`, (free, rests)."""
    here = np.empty(found.shape[1])
    rests(unknowns, place, film, line, hole, bars, here)
    for index in range(len(free)):
        at = unknowns[free[index]]
        unknowns[free[index]] = at + _STEP * max(1.0, abs(at))
        step = unknowns[free[index]] - at
        rests(unknowns, place, film, line, hole, bars, found[index])
        unknowns[free[index]] = at
        found[index] = (found[index] - here) / step
