"""The compiled loops over even areas; importing it loads the compiler."""

import numpy as np

from pipeline.compiled import compiled
from pipeline.kinds import Float64, Int32, Whole


@compiled("int64[::1](int32[:,::1], int32[::1], int64[::1], int64[::1], int64[::1])")
def gather(labels: Int32, order: Int32, starts: Whole, found: Whole, rims: Whole) -> Whole:
    """Fill in the pixels of areas, and those of their rims; return how many (n) those are.

    Parameters
    ----------
    labels
        (h, w) of areas.
    order
        Of each label the place of its area, -1 where it is left out.
    starts
        (n) where the pixels of an area begin in `found`, and those of its rim in `rims`.
    found, rims
        Flat places, row by row.
    """
    rows, columns = labels.shape
    at, rim_at = starts.copy(), starts.copy()
    for row in range(rows):
        for column in range(columns):
            label = labels[row, column]
            area = order[label]
            if area < 0:
                continue
            found[at[area]] = row * columns + column
            at[area] += 1
            rim = row in (0, rows - 1) or column in (0, columns - 1)
            if not rim:
                for r in range(row - 1, row + 2):
                    for c in range(column - 1, column + 2):
                        rim |= labels[r, c] != label
            if rim:
                rims[rim_at[area]] = row * columns + column
                rim_at[area] += 1
    return rim_at - starts


@compiled(
    "void(float64[:,::1], int64[::1], int32[:,::1], int64, int64[::1],"
    " float64[::1], int64[::1], int64[::1])"
)
def meet(
    rim: Float64,
    starts: Whole,
    boxes: Int32,
    one: int,
    others: Whole,
    apart: Float64,
    here: Whole,
    there: Whole,
) -> None:
    """Put those of other areas among the nearest of one that are nearer than the farthest of them.

    Parameters
    ----------
    rim, starts, boxes
        Places x, y (n, 2) along all areas' outlines, where each area's begin, first and last x
        and y (areas, 4) of each.
    one, others
        Which area, and which it meets.
    apart, here, there
        Of the nearest (k), in order, how far they are in squared pixels, and between which places
        of their rims.
    """
    last = len(apart) - 1
    left, right, top, bottom = boxes[one]
    for other in others:
        beside = max(left - boxes[other, 1], boxes[other, 0] - right, 0)
        over = max(top - boxes[other, 3], boxes[other, 2] - bottom, 0)
        best = apart[last]
        if beside * beside + over * over >= best:
            continue
        from_place, to_place = -1, -1
        for to in range(starts[other], starts[other + 1]):
            x, y = rim[to, 0], rim[to, 1]
            across, down = max(left - x, x - right, 0.0), max(top - y, y - bottom, 0.0)
            if across * across + down * down >= best:
                continue
            for start in range(starts[one], starts[one + 1]):
                across, down = rim[start, 0] - x, rim[start, 1] - y
                squared = across * across + down * down
                if squared < best:
                    best, from_place, to_place = squared, start, to
        if from_place < 0:
            continue
        place = last
        while place > 0 and apart[place - 1] > best:
            apart[place], here[place] = apart[place - 1], here[place - 1]
            there[place] = there[place - 1]
            place -= 1
        apart[place], here[place], there[place] = best, from_place, to_place


@compiled("void(float64[:,::1], int64[::1], int64[::1], float64[:,::1])")
def medians(values: Float64, starts: Whole, areas: Whole, found: Float64) -> None:
    """Fill in the median (n, 3) of the values (pixels, 3) of areas, that begin at `starts`."""
    for index in range(len(areas)):
        first, stop = starts[areas[index]], starts[areas[index] + 1]
        for channel in range(3):
            found[index, channel] = np.median(values[first:stop, channel])


@compiled("void(float64[:,::1], float64[:,::1], int64[::1], float64[:,:,::1], float64[:,:,::1])")
def products(
    terms: Float64, light: Float64, starts: Whole, squared: Float64, crossed: Float64
) -> None:
    """Fill in the means over each area of products of terms, and of terms and light.

    Parameters
    ----------
    terms, light
        (pixels, 7) and (pixels, 3); those of an area begin at `starts`.
    squared, crossed
        (areas, 7, 7) and (areas, 7, 3).
    """
    squared[:], crossed[:] = 0.0, 0.0
    for area in range(len(starts) - 1):
        count = starts[area + 1] - starts[area]
        for pixel in range(starts[area], starts[area + 1]):
            for one in range(7):
                term = terms[pixel, one]
                for other in range(7):
                    squared[area, one, other] += term * terms[pixel, other]
                for channel in range(3):
                    crossed[area, one, channel] += term * light[pixel, channel]
        squared[area] /= count
        crossed[area] /= count
