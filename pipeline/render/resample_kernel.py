"""The compiled loops that resample rows and columns; importing them loads the compiler."""

import math
from typing import Any

import numpy as np

from pipeline.compiled import compiled, index
from pipeline.kinds import Float32, Float64, Whole

Places = Float64

_CHUNK = 512
# Where columns lean so much that the rows they fall on change more often, what the taps fall on
# is gathered first, since short loops are slow.
_LEAST_STRETCH = 48
_SHARE_OF_FALL = 0.25
_PLANES, _PLACES, _TERMS = "float32[:,:,::1]", "float64[:,::1]", "float32[:,::1]"
_0, _1, _2, _3, _4, _5, _6, _7 = (index(tap) for tap in range(8))


@compiled(fast=True)
def _weigh(
    weights: Float32, at: int, count: int, first: float, slope: float, even: Float32, odd: Float32
) -> None:
    """Fill (8, n), from `at` on, with the taps' weights for places between two samples.

    Place k is ``first + slope * k`` beyond the fourth sample.
    """
    middle, step = np.float32(first - 0.5), np.float32(slope)
    for pair in range(4):
        e0, e1, e2, e3, e4 = (
            even[pair, 0],
            even[pair, 1],
            even[pair, 2],
            even[pair, 3],
            even[pair, 4],
        )
        o0, o1, o2, o3, o4 = odd[pair, 0], odd[pair, 1], odd[pair, 2], odd[pair, 3], odd[pair, 4]
        near, far, start = index(pair), index(7 - pair), index(at)
        for k in range(index(count)):
            place = middle + step * np.float32(np.int32(k))
            square = place * place
            same = e0 + square * (e1 + square * (e2 + square * (e3 + square * e4)))
            opposite = o0 + square * (o1 + square * (o2 + square * (o3 + square * o4)))
            weights[near, start + k] = same + opposite * place
            weights[far, start + k] = same - opposite * place


@compiled(fast=True)
def _held(
    total: np.float32, before: np.float32, left: np.float32, right: np.float32, after: np.float32
) -> Any:
    """Hold a sum to what the four nearest samples allow."""
    none, share = np.float32(0.0), np.float32(_SHARE_OF_FALL)
    low, high = min(left, right), max(left, right)
    rise = max(min(left - before, right - after), none)
    # Light is never negative: a trough of two dark samples is not much darker than they are.
    dip = max(min(min(before - left, after - right), low), none)
    return max(min(total, high + share * rise), low - share * dip)


@compiled(fast=True)
def _along(
    source: Float32,
    channel: Any,
    row: Any,
    at: Any,
    weights: Float32,
    result: Float32,
    target: Any,
    place: Any,
    count: int,
) -> None:
    """Fill a stretch of a row with sums of eight samples of a row, the first at `at`."""
    for k in range(index(count)):
        from_here = at + k
        before, left = source[channel, row, from_here + _2], source[channel, row, from_here + _3]
        right, after = source[channel, row, from_here + _4], source[channel, row, from_here + _5]
        total = (
            weights[_0, k] * source[channel, row, from_here]
            + weights[_1, k] * source[channel, row, from_here + _1]
            + weights[_2, k] * before
            + weights[_3, k] * left
            + weights[_4, k] * right
            + weights[_5, k] * after
            + weights[_6, k] * source[channel, row, from_here + _6]
            + weights[_7, k] * source[channel, row, from_here + _7]
        )
        result[channel, target, place + k] = _held(total, before, left, right, after)


@compiled(fast=True)
def _down(
    source: Float32,
    channel: Any,
    first: int,
    at: Any,
    weights: Float32,
    result: Float32,
    row: Any,
    place: Any,
    count: int,
) -> None:
    """Fill a stretch of a row with sums of eight rows, the first at `first`, in a ring."""
    high = source.shape[1]
    i = first % high
    i0, i = index(i), (i + 1 if i + 1 < high else 0)
    i1, i = index(i), (i + 1 if i + 1 < high else 0)
    i2, i = index(i), (i + 1 if i + 1 < high else 0)
    i3, i = index(i), (i + 1 if i + 1 < high else 0)
    i4, i = index(i), (i + 1 if i + 1 < high else 0)
    i5, i = index(i), (i + 1 if i + 1 < high else 0)
    i6, i = index(i), (i + 1 if i + 1 < high else 0)
    i7 = index(i)
    for k in range(index(count)):
        here = at + k
        before, left = source[channel, i2, here], source[channel, i3, here]
        right, after = source[channel, i4, here], source[channel, i5, here]
        total = (
            weights[_0, k] * source[channel, i0, here]
            + weights[_1, k] * source[channel, i1, here]
            + weights[_2, k] * before
            + weights[_3, k] * left
            + weights[_4, k] * right
            + weights[_5, k] * after
            + weights[_6, k] * source[channel, i6, here]
            + weights[_7, k] * source[channel, i7, here]
        )
        result[channel, row, place + k] = _held(total, before, left, right, after)


@compiled()
def _stretch(place: int, columns: int, start: float, slope: float, whole: int) -> int:
    """Return where the whole part of ``start + slope * place`` changes next, or a chunk ends."""
    stop = min(columns, place + _CHUNK)
    if slope > 0.0:
        return min(stop, max(place + 1, math.ceil((whole + 1 - start) / slope)))
    if slope < 0.0:
        return min(stop, max(place + 1, math.floor((whole - start) / slope) + 1))
    return stop


@compiled(
    f"void({_PLANES}, {_PLANES}, int64[::1], {_PLACES}, {_PLACES}, int64, {_TERMS}, {_TERMS})"
)
def along_rows(
    source: Float32,
    ring: Float32,
    targets: Whole,
    starts: Places,
    slopes: Places,
    piece: int,
    even: Float32,
    odd: Float32,
) -> None:
    """Resample each row, in pieces of so many places.

    Place u of row r, in piece k, is so far beyond place u of the source as
    ``starts[r, k] + slopes[r, k] (u - k piece)``.

    Parameters
    ----------
    source
        Planes (channels, n, w); all places, with their taps, lie inside.
    ring, targets
        Planes (channels, m, columns), of which row ``targets[r]`` is filled for row r.
    starts, slopes
        Places in pixels, as above (n, pieces).
    even, odd
        The taps' weights, as `resample.tap_terms` returns them.
    """
    weights = np.empty((8, _CHUNK), np.float32)
    channels, _, columns = ring.shape
    for row in range(len(targets)):
        place = 0
        while place < columns:
            part = place // piece
            begin, start, slope = part * piece, starts[row, part], slopes[row, part]
            here, limit = place - begin, min(columns - begin, piece)
            whole = math.floor(start + slope * here)
            stop = begin + _stretch(here, limit, start, slope, whole)
            count, first = stop - place, start + slope * here - whole
            _weigh(weights, 0, count, first, slope, even, odd)
            at, target = index(place + whole - 3), index(targets[row])
            for channel in range(channels):
                _along(
                    source, index(channel), index(row), at, weights, ring, target,
                    index(place), count,
                )  # fmt: skip
            place = stop


@compiled(fast=True)
def _gather(
    ring: Float32, channel: Any, first: int, at: Any, taps: Float32, place: Any, count: int
) -> None:
    """Fill a stretch of taps (channels, 8, n) from eight rows, the first at `first`, in a ring."""
    high = ring.shape[1]
    line = first % high
    for tap in range(8):
        for k in range(index(count)):
            taps[channel, index(tap), place + k] = ring[channel, index(line), at + k]
        line = line + 1 if line + 1 < high else 0


@compiled(f"void({_PLANES}, {_PLANES}, {_PLACES}, {_PLACES}, int64, {_TERMS}, {_TERMS})")
def along_columns(
    ring: Float32,
    result: Float32,
    starts: Places,
    slopes: Places,
    piece: int,
    even: Float32,
    odd: Float32,
) -> None:
    """Resample each column, in pieces of so many.

    Place u of row r, in piece k, is at row ``starts[r, k] + slopes[r, k] (u - k piece)`` of the
    source.

    Parameters
    ----------
    ring
        Planes (channels, n, columns) that hold row y of the source as their row y modulo n.
    result
        Planes (channels, rows, columns), filled.
    starts, slopes, even, odd
        As for `along_rows`.
    """
    weights = np.empty((8, _CHUNK), np.float32)
    channels, rows, columns = result.shape
    gathered = np.abs(slopes).max() * _LEAST_STRETCH > 1.0
    taps = np.empty((channels, 8, _CHUNK if gathered else 0), np.float32)
    # Block by block of columns, so that the rows of the ring stay in the nearest cache.
    for block in range(0, columns, _CHUNK):
        end = min(block + _CHUNK, columns)
        for row in range(rows):
            place = block
            while place < end:
                part = place // piece
                begin, start, slope = part * piece, starts[row, part], slopes[row, part]
                here, limit = place - begin, min(end - begin, piece)
                whole = math.floor(start + slope * here)
                stop = begin + _stretch(here, limit, start, slope, whole)
                count, first = stop - place, start + slope * here - whole
                at, line = place - block if gathered else 0, whole - 3
                _weigh(weights, at, count, first, slope, even, odd)
                for channel in range(channels):
                    one, left = index(channel), index(place)
                    if gathered:
                        _gather(ring, one, line, left, taps, index(at), count)
                    else:
                        _down(ring, one, line, left, weights, result, index(row), left, count)
                place = stop
            if gathered:
                for channel in range(channels):
                    _down(
                        taps, index(channel), 0, _0, weights, result, index(row),
                        index(block), end - block,
                    )  # fmt: skip
