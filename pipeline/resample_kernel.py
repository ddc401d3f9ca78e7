"""The compiled loops that resample rows and columns; importing them loads the compiler."""

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled

Floats = NDArray[np.float32]
Places = NDArray[np.float64]
Whole = NDArray[np.int64]

_CHUNK = 512
_SHARE_OF_FALL = 0.25
_PLANES, _TERMS = "float32[:,:,::1]", "float32[:,::1]"
# Of arrays in a loop the compiler makes sure that none overlaps what is written. It gives up
# where there are more than eight to compare, so sums of eight taps are taken in two halves.


@compiled(fast=True)
def _weigh_pair(near: Floats, far: Floats, parts: Floats, even: Floats, odd: Floats) -> None:
    """Fill the weights of a tap and of its opposite for places between two samples."""
    e0, e1, e2, e3, e4 = even[0], even[1], even[2], even[3], even[4]
    o0, o1, o2, o3, o4 = odd[0], odd[1], odd[2], odd[3], odd[4]
    for place in range(len(parts)):
        middle = parts[place] - np.float32(0.5)
        square = middle * middle
        same = e0 + square * (e1 + square * (e2 + square * (e3 + square * e4)))
        opposite = o0 + square * (o1 + square * (o2 + square * (o3 + square * o4)))
        near[place] = same + opposite * middle
        far[place] = same - opposite * middle


@compiled(fast=True)
def _weigh(weights: Floats, parts: Floats, even: Floats, odd: Floats) -> None:
    """Fill (8, n) with the weights of the taps for n places between two samples."""
    count = len(parts)
    for pair in range(4):
        near, far = weights[pair, :count], weights[7 - pair, :count]
        _weigh_pair(near, far, parts, even[pair], odd[pair])


@compiled(fast=True)
def _between(parts: Floats, place: int, start: float, slope: float, whole: int) -> None:
    """Fill in how far places ``start + slope * place`` and on lie beyond a whole one."""
    for k in range(len(parts)):
        parts[k] = start + slope * (place + k) - whole


@compiled(fast=True)
def _copy(source: Floats, target: Floats) -> None:
    for k in range(len(source)):
        target[k] = source[k]


@compiled(fast=True)
def _outer(
    result: Floats, count: int, a: Floats, b: Floats, c: Floats, d: Floats, weights: Floats
) -> None:
    """Fill `result` with the sum of the four outer taps."""
    v, w, x, y = weights[0], weights[1], weights[6], weights[7]
    for k in range(count):
        result[k] = v[k] * a[k] + w[k] * b[k] + x[k] * c[k] + y[k] * d[k]


@compiled(fast=True)
def _inner(
    result: Floats, count: int, a: Floats, b: Floats, c: Floats, d: Floats, weights: Floats
) -> None:
    """Add the four inner taps to `result`, and hold it to what the nearest allow."""
    v, w, x, y = weights[2], weights[3], weights[4], weights[5]
    for k in range(count):
        result[k] += v[k] * a[k] + w[k] * b[k] + x[k] * c[k] + y[k] * d[k]


@compiled(fast=True)
def _hold(result: Floats, count: int, a: Floats, b: Floats, c: Floats, d: Floats) -> None:
    """Hold sums to what the four nearest samples allow."""
    none, share = np.float32(0.0), np.float32(_SHARE_OF_FALL)
    for k in range(count):
        before, left, right, after = a[k], b[k], c[k], d[k]
        low, high = min(left, right), max(left, right)
        rise = max(min(left - before, right - after), none)
        # Light is never negative: a trough of two dark samples is not much darker than they are.
        dip = max(min(min(before - left, after - right), low), none)
        result[k] = max(min(result[k], high + share * rise), low - share * dip)


@compiled()
def _stretch(place: int, columns: int, start: float, slope: float, whole: int) -> int:
    """Return where the whole part of ``start + slope * place`` changes next, or a chunk ends."""
    stop = min(columns, place + _CHUNK)
    if slope > 0.0:
        return min(stop, max(place + 1, math.ceil((whole + 1 - start) / slope)))
    if slope < 0.0:
        return min(stop, max(place + 1, math.floor((whole - start) / slope) + 1))
    return stop


@compiled(f"void({_PLANES}, {_PLANES}, int64[::1], float64[::1], float64, {_TERMS}, {_TERMS})")
def along_rows(
    source: Floats,
    ring: Floats,
    targets: Whole,
    starts: Places,
    slope: float,
    even: Floats,
    odd: Floats,
) -> None:
    """Resample each row: place u of row r is at ``starts[r] + (1 + slope) u`` of the source.

    Parameters
    ----------
    source
        Planes (channels, n, w); all places, with their taps, lie inside.
    ring, targets
        Planes (channels, m, columns), of which row ``targets[r]`` is filled for row r.
    starts, slope
        Places in pixels, as above.
    even, odd
        The taps' weights, as `resample.tap_terms` returns them.
    """
    weights, parts = np.empty((8, _CHUNK), np.float32), np.empty(_CHUNK, np.float32)
    channels, _, columns = ring.shape
    for row in range(len(targets)):
        place = 0
        while place < columns:
            whole = math.floor(starts[row] + slope * place)
            stop = _stretch(place, columns, starts[row], slope, whole)
            count = stop - place
            _between(parts[:count], place, starts[row], slope, whole)
            _weigh(weights, parts[:count], even, odd)
            for channel in range(channels):
                line = source[channel, row, place + whole - 3 :]
                sums = ring[channel, targets[row], place:stop]
                _outer(sums, count, line, line[1:], line[6:], line[7:], weights)
                _inner(sums, count, line[2:], line[3:], line[4:], line[5:], weights)
                _hold(sums, count, line[2:], line[3:], line[4:], line[5:])
            place = stop


@compiled(fast=True)
def _straight_down(
    ring: Floats, first: int, left: int, count: int, sums: Floats, weights: Floats
) -> None:
    """Fill `sums` from eight rows of a ring, from `first` on, that all columns have in common."""
    high, right = len(ring), left + count
    a, b = ring[first % high, left:right], ring[(first + 1) % high, left:right]
    c, d = ring[(first + 2) % high, left:right], ring[(first + 3) % high, left:right]
    e, f = ring[(first + 4) % high, left:right], ring[(first + 5) % high, left:right]
    g, h = ring[(first + 6) % high, left:right], ring[(first + 7) % high, left:right]
    _outer(sums, count, a, b, g, h, weights)
    _inner(sums, count, c, d, e, f, weights)
    _hold(sums, count, c, d, e, f)


@compiled(f"void({_PLANES}, {_PLANES}, float64[::1], float64, {_TERMS}, {_TERMS})")
def along_columns(
    ring: Floats, result: Floats, starts: Places, slope: float, even: Floats, odd: Floats
) -> None:
    """Resample each column: place u of row r is at row ``starts[r] + slope u`` of the source.

    Parameters
    ----------
    ring
        Planes (channels, n, columns) that hold row y of the source as their row y modulo n.
    result
        Planes (channels, rows, columns), filled.
    starts, slope, even, odd
        As for `along_rows`.
    """
    weights, parts = np.empty((8, _CHUNK), np.float32), np.empty(_CHUNK, np.float32)
    channels, rows, columns = result.shape
    # Block by block of columns, so that the rows of the ring stay in the nearest cache. What the
    # taps fall on is gathered first: where columns lean much, the rows change every few pixels.
    taps = np.empty((channels, 8, _CHUNK), np.float32)
    for block in range(0, columns, _CHUNK):
        end = min(block + _CHUNK, columns)
        count = end - block
        for row in range(rows):
            whole = math.floor(starts[row] + slope * block)
            if _stretch(block, end, starts[row], slope, whole) == end:
                _between(parts[:count], block, starts[row], slope, whole)
                _weigh(weights, parts[:count], even, odd)
                for channel in range(channels):
                    _straight_down(
                        ring[channel], whole - 3, block, count, result[channel, row, block:end],
                        weights,
                    )  # fmt: skip
                continue
            place = block
            while place < end:
                whole = math.floor(starts[row] + slope * place)
                stop = _stretch(place, end, starts[row], slope, whole)
                here, there = place - block, stop - block
                _between(parts[here:there], place, starts[row], slope, whole)
                for channel in range(channels):
                    for tap in range(8):
                        line = (whole - 3 + tap) % ring.shape[1]
                        _copy(ring[channel, line, place:stop], taps[channel, tap, here:there])
                place = stop
            _weigh(weights, parts[:count], even, odd)
            for channel in range(channels):
                tap, sums = taps[channel], result[channel, row, block:end]
                _outer(sums, count, tap[0], tap[1], tap[6], tap[7], weights)
                _inner(sums, count, tap[2], tap[3], tap[4], tap[5], weights)
                _hold(sums, count, tap[2], tap[3], tap[4], tap[5])
