"""The compiled loops over bands, codes to light, light to scene light, planes to codes.

Importing them loads the compiler.
"""

from typing import Any

import numba
import numpy as np
from numba import boolean, float32, int32, int64, uint8, uint16, void

from pipeline.compiled import compiled, index, log2
from pipeline.kinds import Codes, Float32, Int32, Whole
from pipeline.render.arrays import TAPS, BaseLight, Layers, Reduced

CHUNK = 512
"""Pixels worked on at a time, so that all their planes stay in the nearest cache."""

VECTOR = 16
"""Pixels that the widest vectors hold."""

_LOG10_2 = np.float32(0.30102999566398119521)
NONE, ONE = np.float32(0.0), np.float32(1.0)
_NEXT, _TWO, _THREE, _TAPS = index(1), index(2), index(3), index(TAPS)
RED, GREEN, BLUE = index(0), index(1), index(2)
EIGHT_BITS, SIXTEEN_BITS = np.float32(255.0), np.float32(65535.0)
"""Full scale of codes."""

types: Any = numba.types
PLANES, TABLE, ROW = float32[:, :, ::1], float32[:, ::1], float32[::1]
LAYERS = types.NamedTuple((TABLE, float32, int64[:, ::1], ROW, ROW, TABLE), Layers)
BASE = types.NamedTuple((TABLE, TABLE, ROW, float32), BaseLight)
REDUCED = types.NamedTuple((PLANES, TABLE, boolean[::1], ROW, int32[::1], TABLE), Reduced)
"""Types of what loops take."""
# Codes dense or not: it makes no difference in time.
_KINDS = (uint16, uint8)


@compiled()
def stretch(start: int, columns: int) -> Any:
    """Return the first of a `CHUNK` of columns, or of as many as are left, and how many they are.

    The last ones are whole vectors, some of them done before: what is left over of a vector is
    done one by one, which takes as long as ten vectors.
    """
    count = min(CHUNK, columns - start)
    if count < CHUNK:
        count = min(columns, (count + VECTOR - 1) // VECTOR * VECTOR)
    return min(start, columns - count), count


@compiled(fast=True)
def density(
    light: Float32, row: int, start: int, work: Float32, count: int, base: BaseLight
) -> None:
    """Fill `work` (3, `CHUNK`) with density above base for a stretch of a row of light."""
    along, least = base.along, base.least
    for channel in range(3):
        c, r, at = index(channel), index(row), index(start)
        level, black = base.across[r, c], base.dark[c]
        for k in range(index(count)):
            above = max(light[c, r, at + k] - black, least)
            work[c, k] = along[c, at + k] + level - _LOG10_2 * log2(above)


@compiled(fast=True)
def _placed(work: Float32, count: int, layers: Layers, places: Int32) -> None:
    """Turn density above base into places in the tables: whole entries, and in `work` the rest."""
    m, least, lows, steps = layers.unmask, layers.least_density, layers.lows, layers.steps
    m00, m01, m02 = m[0, 0], m[0, 1], m[0, 2]
    m10, m11, m12 = m[1, 0], m[1, 1], m[1, 2]
    m20, m21, m22 = m[2, 0], m[2, 1], m[2, 2]
    low_r, low_g, low_b = lows[RED], lows[GREEN], lows[BLUE]
    step_r, step_g, step_b = steps[RED], steps[GREEN], steps[BLUE]
    last = np.float32(layers.tables.shape[1] - 1)
    for k in range(index(count)):
        r, g, b = max(work[RED, k], least), max(work[GREEN, k], least), max(work[BLUE, k], least)
        at_r = min(max((m00 * r + m01 * g + m02 * b - low_r) * step_r, NONE), last)
        at_g = min(max((m10 * r + m11 * g + m12 * b - low_g) * step_g, NONE), last)
        at_b = min(max((m20 * r + m21 * g + m22 * b - low_b) * step_b, NONE), last)
        places[RED, k], places[GREEN, k] = np.int32(at_r), np.int32(at_g)
        places[BLUE, k] = np.int32(at_b)
        work[RED, k] = at_r - np.float32(np.int32(at_r))
        work[GREEN, k] = at_g - np.float32(np.int32(at_g))
        work[BLUE, k] = at_b - np.float32(np.int32(at_b))


@compiled(fast=True)
def exposed(work: Float32, count: int, layers: Layers, places: Int32, found: Whole) -> None:
    """Turn density above base into scene light, in place; the last two are room (3, `CHUNK`).

    Tables' entries are fetched in a loop of their own, one load each: loops over vectors fetch
    them slower.
    """
    _placed(work, count, layers, places)
    tables, parts, m = layers.tables, found.view(np.float32), layers.scene
    for channel in range(3):
        c = index(channel)
        for k in range(index(count)):
            found[c, k] = tables[c, index(places[c, k])]
    m00, m01, m02 = m[0, 0], m[0, 1], m[0, 2]
    m10, m11, m12 = m[1, 0], m[1, 1], m[1, 2]
    m20, m21, m22 = m[2, 0], m[2, 1], m[2, 2]
    for k in range(index(count)):
        at = _TWO * k
        r = parts[RED, at] + work[RED, k] * parts[RED, at + _NEXT]
        g = parts[GREEN, at] + work[GREEN, k] * parts[GREEN, at + _NEXT]
        b = parts[BLUE, at] + work[BLUE, k] * parts[BLUE, at + _NEXT]
        work[RED, k] = m00 * r + m01 * g + m02 * b
        work[GREEN, k] = m10 * r + m11 * g + m12 * b
        work[BLUE, k] = m20 * r + m21 * g + m22 * b


@compiled(fast=True)
def taken(planes: Float32, row: int, start: int, work: Float32, count: int) -> None:
    """Fill `work` with a stretch of planes."""
    for channel in range(3):
        c, r, at = index(channel), index(row), index(start)
        for k in range(index(count)):
            work[c, k] = planes[c, r, at + k]


@compiled(fast=True)
def put(work: Float32, count: int, planes: Float32, row: int, start: int) -> None:
    """Fill a stretch of planes with `work`."""
    for channel in range(3):
        c, r, at = index(channel), index(row), index(start)
        for k in range(index(count)):
            planes[c, r, at + k] = work[c, k]


@compiled(void(PLANES, PLANES, BASE, LAYERS), fast=True)
def scene_of_light(light: Float32, scene: Float32, base: BaseLight, layers: Layers) -> None:
    """Fill `scene` (3, rows, columns) with working light for a scan's `light` of that shape."""
    _, rows, columns = light.shape
    work = np.empty((3, CHUNK), np.float32)
    places, found = np.empty((3, CHUNK), np.int32), np.empty((3, CHUNK), np.int64)
    for row in range(rows):
        for begin in range(0, columns, CHUNK):
            start, count = stretch(begin, columns)
            density(light, row, start, work, count, base)
            exposed(work, count, layers, places, found)
            put(work, count, scene, row, start)


@compiled(void(PLANES, LAYERS), fast=True)
def scene_of_density(scene: Float32, layers: Layers) -> None:
    """Turn densities above base (3, rows, columns) into working light, in place."""
    _, rows, columns = scene.shape
    work = np.empty((3, CHUNK), np.float32)
    places, found = np.empty((3, CHUNK), np.int32), np.empty((3, CHUNK), np.int64)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            count = min(CHUNK, columns - start)
            taken(scene, row, start, work, count)
            exposed(work, count, layers, places, found)
            put(work, count, scene, row, start)


@compiled([void(kind[:, ::1], int64, float32, PLANES, int64) for kind in _KINDS], fast=True)
def scaled_rows(stored: Codes, start: int, scale: np.float32, planes: Float32, top: int) -> None:
    """Fill rows of planes (3, n, w), from `top` on, with stored ones times a scale.

    They are (m, pixels times 3), taken from pixel `start` on. So it is done in vectors, which
    `scaled_planes`, for codes that lie in any order, is not.
    """
    columns = planes.shape[2]
    at, one, two = index(3 * start), index(1), index(2)
    for row in range(len(stored)):
        here, r = index(row), index(top + row)
        for k in range(index(columns)):
            first = at + index(3) * k
            planes[RED, r, k] = np.float32(stored[here, first]) * scale
            planes[GREEN, r, k] = np.float32(stored[here, first + one]) * scale
            planes[BLUE, r, k] = np.float32(stored[here, first + two]) * scale


@compiled([void(kind[:, :, :], float32, PLANES) for kind in _KINDS], fast=True)
def scaled_planes(codes: Codes, scale: np.float32, planes: Float32) -> None:
    """Fill planes (channels, n, w) with codes (n, w, channels or more) times a scale."""
    channels, rows, columns = planes.shape
    for row in range(rows):
        for channel in range(channels):
            for column in range(columns):
                planes[channel, row, column] = np.float32(codes[row, column, channel]) * scale


@compiled([void(kind[:, :, :], TABLE, PLANES) for kind in _KINDS])
def looked_up_planes(codes: Codes, tables: Float32, planes: Float32) -> None:
    """Fill planes (channels, n, w) by a table for all channels, or one for each."""
    channels, rows, columns = planes.shape
    last = tables.shape[1] - 1
    for row in range(rows):
        for channel in range(channels):
            table = tables[channel if len(tables) > 1 else 0]
            for column in range(columns):
                planes[channel, row, column] = table[min(codes[row, column, channel], last)]


@compiled(fast=True)
def coded(
    work: Float32, count: int, grey: bool, most: np.float32, scale: np.float32, line: Codes
) -> None:
    """Fill codes (3, n) with values from 0 to `most` times a scale, rounded."""
    half = np.float32(0.5)
    for channel in range(3):
        c, of = index(channel), index(1 if grey else channel)
        for k in range(index(count)):
            line[c, k] = np.int32(min(max(work[of, k], NONE), most) * scale + half)


@compiled(fast=True)
def together(line: Codes, count: int, pixels: Codes, row: int, start: int) -> None:
    """Fill a stretch of rows of pixels (n, w times 3) with codes (3, n)."""
    r, at = index(row), index(3 * start)
    for k in range(index(count)):
        # As one row of numbers three apart: so it is done in vectors.
        first = at + index(3) * k
        pixels[r, first] = line[RED, k]
        pixels[r, first + index(1)] = line[GREEN, k]
        pixels[r, first + index(2)] = line[BLUE, k]


@compiled([void(PLANES, k[:, :, ::1], boolean, float32, float32) for k in _KINDS], fast=True)
def interleaved(
    planes: Float32, codes: Codes, grey: bool, most: np.float32, scale: np.float32
) -> None:
    """Fill codes (n, w, 3) with values from 0 to `most` times a scale, rounded.

    `grey` takes the second channel for all.
    """
    _, rows, columns = planes.shape
    pixels = codes.reshape(rows, 3 * columns)
    # First each channel by itself, then all three together: so both are done in vectors.
    line, work = np.empty((3, columns), codes.dtype), np.empty((3, columns), np.float32)
    for row in range(rows):
        taken(planes, row, 0, work, columns)
        coded(work, columns, grey, most, scale, line)
        together(line, columns, pixels, row, 0)


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
        i0, i1 = bits[channel, at], bits[channel, at + _NEXT]
        i2, i3 = bits[channel, at + _TWO], bits[channel, at + _THREE]
        found[to], found[to + _NEXT], found[to + _TWO], found[to + _THREE] = i0, i1, i2, i3


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
                    total += weights[g, own + _NEXT] * seen[at + _NEXT]
                    total += weights[g, own + _TWO] * seen[at + _TWO]
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
