"""The compiled loops that resample rows and columns; importing them loads the compiler."""

import math
from typing import Any

import numpy as np

from pipeline.compiled import compiled, index
from pipeline.kinds import Float32, Float64, Whole
from pipeline.render.passes import REACH

Places = Float64
Terms = tuple[np.float32, ...]

# Sums in the order that is written, so that a channel is the same beside others and alone.
_EXACT = frozenset({"contract", "nnan", "ninf", "nsz"})

_CHUNK = 512
# What is left over of a vector is done one by one, which takes as long as ten vectors.
_VECTOR = 16
_SHARE_OF_FALL = 0.25
_PLANES, _PLACES = "float32[:,:,::1]", "float64[:,::1]"
_0, _1, _2, _3, _4, _5, _6, _7 = (index(tap) for tap in range(8))

# Kaiser's parameter: for eight taps this one errs least up to 0.3 cycles a pixel, where scans
# still hold detail; measured on exact waves, 8 to 20 dB less than the sinc window of Lanczos.
_KAISER_SHAPE = 5.5
_TERMS = 5


def tap_terms() -> tuple[Float32, Float32]:
    """Return even and odd polynomials (4, terms), ascending, of the taps -3 to 0.

    For a place t from 0 to 1 between tap 0 and tap 1, with s = t - 1/2, the weight of tap -3 + i
    is ``even[i](s^2) + s odd[i](s^2)``, and that of tap 4 - i has the other sign between. They
    are fitted to a sinc under a Kaiser window, made to sum to 1, with an error below 1e-7.
    """
    middle = -0.5 * np.cos(np.pi * (np.arange(200) + 0.5) / 200)
    reach = middle[:, None] + 0.5 - np.arange(1 - REACH, REACH + 1)
    inside = np.sqrt(np.maximum(1.0 - (reach / REACH) ** 2, 0.0))
    weights = np.sinc(reach) * np.i0(_KAISER_SHAPE * inside)
    weights /= weights.sum(axis=1, keepdims=True)
    near, far = weights[:, :REACH], weights[:, : REACH - 1 : -1]
    powers = np.vander(middle**2, _TERMS, increasing=True)
    even = np.linalg.lstsq(powers, (near + far) / 2, rcond=None)[0].T
    odd = np.linalg.lstsq(powers * middle[:, None], (near - far) / 2, rcond=None)[0].T
    return np.ascontiguousarray(even, np.float32), np.ascontiguousarray(odd, np.float32)


# As numbers of the code itself: fetched for each short stretch, they would take longer than it.
(_E0, _E1, _E2, _E3), (_O0, _O1, _O2, _O3) = (tuple(map(tuple, each)) for each in tap_terms())


@compiled(fast=_EXACT)
def _pair(place: np.float32, even: Terms, odd: Terms) -> Any:
    """Return the weights of two taps that lie alike on both sides of a place."""
    square = place * place
    same = even[4] * square + even[3]
    same = same * square + even[2]
    same = same * square + even[1]
    same = same * square + even[0]
    other = odd[4] * square + odd[3]
    other = other * square + odd[2]
    other = other * square + odd[1]
    other = (other * square + odd[0]) * place
    return same + other, same - other


@compiled(fast=_EXACT)
def _weights(place: np.float32) -> Any:
    """Return the weights of eight taps for a place from the middle between the fourth and fifth."""
    w0, w7 = _pair(place, _E0, _O0)
    w1, w6 = _pair(place, _E1, _O1)
    w2, w5 = _pair(place, _E2, _O2)
    w3, w4 = _pair(place, _E3, _O3)
    return w0, w1, w2, w3, w4, w5, w6, w7


@compiled(fast=_EXACT)
def _held(w: Any, s: Any) -> Any:
    """Return the sum of eight samples by their weights, held to what the middle four allow."""
    total = w[0] * s[0]
    total = w[1] * s[1] + total
    total = w[2] * s[2] + total
    total = w[3] * s[3] + total
    total = w[4] * s[4] + total
    total = w[5] * s[5] + total
    total = w[6] * s[6] + total
    total = w[7] * s[7] + total
    none, share = np.float32(0.0), np.float32(_SHARE_OF_FALL)
    before, left, right, after = s[2], s[3], s[4], s[5]
    low, high = min(left, right), max(left, right)
    rise = max(min(left - before, right - after), none)
    # Light is never negative: a trough of two dark samples is not much darker than they are.
    dip = max(min(min(before - left, after - right), low), none)
    return max(min(total, high + share * rise), low - share * dip)


@compiled(fast=_EXACT)
def _across(planes: Float32, channel: Any, row: Any, at: Any) -> Any:
    """Return eight samples of a row."""
    return (
        planes[channel, row, at],
        planes[channel, row, at + _1],
        planes[channel, row, at + _2],
        planes[channel, row, at + _3],
        planes[channel, row, at + _4],
        planes[channel, row, at + _5],
        planes[channel, row, at + _6],
        planes[channel, row, at + _7],
    )


@compiled(fast=_EXACT)
def _downwards(planes: Float32, channel: Any, rows: Any, at: Any) -> Any:
    """Return samples of eight rows."""
    i0, i1, i2, i3, i4, i5, i6, i7 = rows
    return (
        planes[channel, i0, at],
        planes[channel, i1, at],
        planes[channel, i2, at],
        planes[channel, i3, at],
        planes[channel, i4, at],
        planes[channel, i5, at],
        planes[channel, i6, at],
        planes[channel, i7, at],
    )


@compiled(fast=_EXACT)
def _along(
    source: Float32, row: Any, at: Any, result: Float32, target: Any, place: Any, count: int,
    first: float, slope: float,
) -> None:  # fmt: skip
    """Fill a stretch of a row with sums of eight samples of a row, the first at `at`.

    Place k is ``first + slope * k`` beyond the fourth sample.
    """
    middle, step, channels = np.float32(first - 0.5), np.float32(slope), len(source)
    for one in range(0, channels - 2, 3):
        c0, c1, c2 = index(one), index(one + 1), index(one + 2)
        for k in range(index(count)):
            w = _weights(step * np.float32(np.int32(k)) + middle)
            result[c0, target, place + k] = _held(w, _across(source, c0, row, at + k))
            result[c1, target, place + k] = _held(w, _across(source, c1, row, at + k))
            result[c2, target, place + k] = _held(w, _across(source, c2, row, at + k))
    for one in range(channels - channels % 3, channels):
        c = index(one)
        for k in range(index(count)):
            w = _weights(step * np.float32(np.int32(k)) + middle)
            result[c, target, place + k] = _held(w, _across(source, c, row, at + k))


@compiled()
def _in_ring(first: int, high: int) -> Any:
    """Return eight rows of a ring so high, the first one given."""
    i0 = first % high
    i1 = i0 + 1 if i0 + 1 < high else 0
    i2 = i1 + 1 if i1 + 1 < high else 0
    i3 = i2 + 1 if i2 + 1 < high else 0
    i4 = i3 + 1 if i3 + 1 < high else 0
    i5 = i4 + 1 if i4 + 1 < high else 0
    i6 = i5 + 1 if i5 + 1 < high else 0
    i7 = i6 + 1 if i6 + 1 < high else 0
    return index(i0), index(i1), index(i2), index(i3), index(i4), index(i5), index(i6), index(i7)


@compiled(fast=_EXACT)
def _down(
    ring: Float32, start: int, result: Float32, row: Any, place: Any, count: int,
    first: float, slope: float,
) -> None:  # fmt: skip
    """Fill a stretch of a row with sums of eight rows of a ring, the first at `start`.

    Place k is ``first + slope * k`` beyond the fourth row.
    """
    middle, step, channels = np.float32(first - 0.5), np.float32(slope), len(ring)
    rows = _in_ring(start, ring.shape[1])
    for one in range(0, channels - 2, 3):
        c0, c1, c2 = index(one), index(one + 1), index(one + 2)
        for k in range(index(count)):
            w = _weights(step * np.float32(np.int32(k)) + middle)
            result[c0, row, place + k] = _held(w, _downwards(ring, c0, rows, place + k))
            result[c1, row, place + k] = _held(w, _downwards(ring, c1, rows, place + k))
            result[c2, row, place + k] = _held(w, _downwards(ring, c2, rows, place + k))
    for one in range(channels - channels % 3, channels):
        c = index(one)
        for k in range(index(count)):
            w = _weights(step * np.float32(np.int32(k)) + middle)
            result[c, row, place + k] = _held(w, _downwards(ring, c, rows, place + k))


@compiled()
def _stretch(place: int, columns: int, start: float, slope: float, whole: int) -> int:
    """Return where the whole part of ``start + slope * place`` changes next, or a chunk ends."""
    stop = min(columns, place + _CHUNK)
    if slope > 0.0:
        return min(stop, max(place + 1, math.ceil((whole + 1 - start) / slope)))
    if slope < 0.0:
        return min(stop, max(place + 1, math.floor((whole - start) / slope) + 1))
    return stop


@compiled()
def _whole_vectors(count: int, most: int) -> int:
    """Return how many places to do for so many: whole vectors of them, but no more than the most.

    What is too much is done once more, and well, by the next stretch.
    """
    return min(most, (count + _VECTOR - 1) // _VECTOR * _VECTOR)


@compiled(f"void({_PLANES}, {_PLANES}, int64[::1], {_PLACES}, {_PLACES}, int64, int64[:,::1])")
def along_rows(
    source: Float32,
    ring: Float32,
    targets: Whole,
    starts: Places,
    slopes: Places,
    piece: int,
    spans: Whole,
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
    spans
        Columns (n, 2) that are filled, rising; what is close behind them is not left as it was.
    """
    columns, wide = ring.shape[2], source.shape[2]
    for row in range(len(targets)):
        for span in range(len(spans)):
            place, end = spans[span, 0], spans[span, 1]
            while place < end:
                part = place // piece
                begin, start, slope = part * piece, starts[row, part], slopes[row, part]
                here, limit = place - begin, min(end - begin, piece)
                whole = math.floor(start + slope * here)
                stop = begin + _stretch(here, limit, start, slope, whole)
                left, first = place + whole - 3, start + slope * here - whole
                count = _whole_vectors(stop - place, min(columns - place, wide - 7 - left))
                _along(
                    source, index(row), index(left), ring, index(targets[row]), index(place),
                    count, first, slope,
                )  # fmt: skip
                place = stop


@compiled(f"void({_PLANES}, {_PLANES}, {_PLACES}, {_PLACES}, int64, int64[:,::1])")
def along_columns(
    ring: Float32,
    result: Float32,
    starts: Places,
    slopes: Places,
    piece: int,
    spans: Whole,
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
    starts, slopes, spans
        As for `along_rows`.
    """
    _, rows, columns = result.shape
    for span in range(len(spans)):
        # Block by block of columns, so that the rows of the ring stay in the nearest cache.
        for block in range(spans[span, 0], spans[span, 1], _CHUNK):
            end = min(block + _CHUNK, spans[span, 1])
            for row in range(rows):
                place = block
                while place < end:
                    part = place // piece
                    begin, start, slope = part * piece, starts[row, part], slopes[row, part]
                    here, limit = place - begin, min(end - begin, piece)
                    whole = math.floor(start + slope * here)
                    stop = begin + _stretch(here, limit, start, slope, whole)
                    count = _whole_vectors(stop - place, columns - place)
                    first = start + slope * here - whole
                    _down(ring, whole - 3, result, index(row), index(place), count, first, slope)
                    place = stop
