"""The compiled loops to smaller pictures; importing them loads the compiler."""

from typing import Any

import numpy as np
from numba import void

from pipeline.compiled import compiled, index
from pipeline.kinds import Float32, Int32
from pipeline.render.arrays import TAPS, Reduced
from pipeline.render.band_kernel import CHUNK, NEXT, NONE, ONE, PLANES, REDUCED, TWO

_THREE, _TAPS = index(3), index(TAPS)


@compiled(fast=True)
def summed(
    planes: Float32, row: int, first: int, count: int, reduced: Reduced, own: int, at: int,
    whole: Float32,
) -> None:  # fmt: skip
    """Add a stretch of a row of planes, a band's row `own` from column `at` on, to sums of rows.

    Where it ends a row of the smaller picture, `whole` is filled with that row's sums.
    """
    sums, share = reduced.sums, reduced.shares[own]
    r, f, a = index(row), index(first), index(at)
    for channel in range(len(planes)):
        c = index(channel)
        if reduced.ends[own]:
            rest = ONE - share
            for k in range(index(count)):
                whole[c, a + k] = sums[c, a + k] + share * planes[c, r, f + k]
                sums[c, a + k] = rest * planes[c, r, f + k]
        else:
            for k in range(index(count)):
                sums[c, a + k] += planes[c, r, f + k]


@compiled(fast=True)
def _fetched(
    bits: Int32, channel: Any, firsts: Int32, tap: Any, start: Any, count: int, found: Int32
) -> None:
    """Fetch `TAPS` neighbours for each of a stretch of columns of a smaller picture.

    A loop of its own, as for entries of curves: they are copied together.
    """
    for k in range(index(count)):
        at, to = index(firsts[start + k]) + tap, _TAPS * k
        i0, i1 = bits[channel, at], bits[channel, at + NEXT]
        i2, i3 = bits[channel, at + TWO], bits[channel, at + _THREE]
        found[to], found[to + NEXT], found[to + TWO], found[to + _THREE] = i0, i1, i2, i3


@compiled(fast=True)
def narrowed(whole: Float32, reduced: Reduced, row: int, found: Int32) -> None:
    """Fill a row of a smaller picture with weighted sums of neighbours of rows that are summed.

    `found` is room for `TAPS` times `CHUNK`.
    """
    firsts, weights, result = reduced.firsts, reduced.weights, reduced.rows
    bits, seen, r = whole.view(np.int32), found.view(np.float32), index(row)
    for begin in range(0, len(firsts), CHUNK):
        count, start = min(CHUNK, len(firsts) - begin), index(begin)
        for channel in range(3):
            c = index(channel)
            for group in range(len(weights)):
                g = index(group)
                _fetched(bits, c, firsts, _TAPS * g, start, count, found)
                for k in range(index(count)):
                    at, own = _TAPS * k, _TAPS * (start + k)
                    total = weights[g, own] * seen[at]
                    total += weights[g, own + NEXT] * seen[at + NEXT]
                    total += weights[g, own + TWO] * seen[at + TWO]
                    total += weights[g, own + _THREE] * seen[at + _THREE]
                    before = result[c, r, start + k] if group else NONE
                    result[c, r, start + k] = before + total


@compiled(void(PLANES, REDUCED), fast=True)
def area_means(source: Float32, reduced: Reduced) -> None:
    """Fill the rows of area means that the rows of planes (3, n, columns) complete."""
    _, rows, columns = source.shape
    done, whole = 0, np.zeros((3, columns + TAPS), np.float32)
    found = np.empty(TAPS * CHUNK, np.int32)
    for row in range(rows):
        summed(source, row, 0, columns, reduced, row, 0, whole)
        if reduced.ends[row]:
            narrowed(whole, reduced, done, found)
            done += 1
