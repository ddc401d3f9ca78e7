"""The compiled loops over bands, codes to light, light to scene light, planes to codes.

Importing them loads the compiler.
"""

from typing import Any

import numba
import numpy as np
from numba import boolean, float32, int32, int64, uint8, uint16, void

from pipeline.compiled import compiled, index, log2
from pipeline.kinds import Codes, Float32, Int32, Whole
from pipeline.render.arrays import BaseLight, Layers, Reduced

CHUNK = 512
"""Pixels worked on at a time, so that all their planes stay in the nearest cache."""

_LOG10_2 = np.float32(0.30102999566398119521)
NONE, ONE, _NEXT, _TWO = np.float32(0.0), np.float32(1.0), index(1), index(2)
RED, GREEN, BLUE = index(0), index(1), index(2)
LOWEST = np.float32(-3.0e38)
"""Less than any value, for what is not to be held."""

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
def mixed(work: Float32, count: int, m: Float32, least: np.float32) -> None:
    """Multiply colours, held to a least value, by a matrix, in place."""
    m00, m01, m02 = m[0, 0], m[0, 1], m[0, 2]
    m10, m11, m12 = m[1, 0], m[1, 1], m[1, 2]
    m20, m21, m22 = m[2, 0], m[2, 1], m[2, 2]
    for k in range(index(count)):
        r, g, b = max(work[RED, k], least), max(work[GREEN, k], least), max(work[BLUE, k], least)
        work[RED, k] = m00 * r + m01 * g + m02 * b
        work[GREEN, k] = m10 * r + m11 * g + m12 * b
        work[BLUE, k] = m20 * r + m21 * g + m22 * b


@compiled(fast=True)
def _looked_up(work: Float32, count: int, layers: Layers, found: Whole) -> None:
    """Replace values by those of each channel's table, straight between entries, in place.

    Entries are fetched in a loop of their own, one load each: loops over vectors fetch them slower.
    """
    tables, parts = layers.tables, found.view(np.float32)
    last = np.float32(tables.shape[1] - 1)
    for channel in range(3):
        c = index(channel)
        low, step = layers.lows[c], layers.steps[c]
        for k in range(index(count)):
            place = min(max((work[c, k] - low) * step, NONE), last)
            whole = np.int32(place)
            found[k] = whole
            work[c, k] = place - np.float32(whole)
        for k in range(index(count)):
            found[k] = tables[c, index(found[k])]
        for k in range(index(count)):
            at = _TWO * k
            work[c, k] = parts[at] + work[c, k] * parts[at + _NEXT]


@compiled(fast=True)
def exposed(work: Float32, count: int, layers: Layers, found: Whole) -> None:
    """Turn density above base into scene light, in place; `found` is scratch of `CHUNK`."""
    mixed(work, count, layers.unmask, layers.least_density)
    _looked_up(work, count, layers, found)
    mixed(work, count, layers.scene, LOWEST)


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
    work, found = np.empty((3, CHUNK), np.float32), np.empty(CHUNK, np.int64)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            count = min(CHUNK, columns - start)
            density(light, row, start, work, count, base)
            exposed(work, count, layers, found)
            put(work, count, scene, row, start)


@compiled(void(PLANES, LAYERS), fast=True)
def scene_of_density(scene: Float32, layers: Layers) -> None:
    """Turn densities above base (3, rows, columns) into working light, in place."""
    _, rows, columns = scene.shape
    work, found = np.empty((3, CHUNK), np.float32), np.empty(CHUNK, np.int64)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            count = min(CHUNK, columns - start)
            taken(scene, row, start, work, count)
            exposed(work, count, layers, found)
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
def _add(source: Float32, row: int, sums: Float32, share: np.float32, begin: bool) -> None:
    """Add a share of a row to sums (channels, w), or begin them with it."""
    channels, _, columns = source.shape
    r, kept = index(row), np.float32(0.0 if begin else 1.0)
    for channel in range(channels):
        c = index(channel)
        for k in range(index(columns)):
            sums[c, k] = kept * sums[c, k] + share * source[c, r, k]


@compiled(fast=True)
def _narrow(sums: Float32, result: Float32, row: int, reduced: Reduced, found: Int32) -> None:
    """Fill a row of the result with weighted sums of neighbours.

    They are fetched in a loop of their own, as entries of curves are.
    """
    channels, _, columns = result.shape
    r, bits, seen = index(row), sums.view(np.int32), found.view(np.float32)
    firsts, weights = reduced.firsts, reduced.weights
    for channel in range(channels):
        c = index(channel)
        for k in range(index(columns)):
            result[c, r, k] = NONE
        for tap in range(len(weights)):
            t = index(tap)
            for k in range(index(columns)):
                found[k] = bits[c, index(firsts[k]) + t]
            for k in range(index(columns)):
                result[c, r, k] += weights[t, k] * seen[k]


@compiled(fast=True)
def reduce_row(
    source: Float32, at: int, row: int, reduced: Reduced, done: int, found: Int32
) -> int:
    """Add row `at` of planes, a band's row `row`, to means of areas; return how many rows are done.

    `done` is how many were before; `found` is scratch, one for each column of the smaller picture.
    """
    _add(source, at, reduced.sums, reduced.shares[row], False)
    if reduced.ends[row]:
        _narrow(reduced.sums, reduced.rows, done, reduced, found)
        _add(source, at, reduced.sums, np.float32(1.0) - reduced.shares[row], True)
        done += 1
    return done


@compiled(void(PLANES, REDUCED), fast=True)
def area_means(source: Float32, reduced: Reduced) -> None:
    """Fill the rows of area means that the rows of planes (channels, n, columns) complete."""
    done, found = 0, np.empty(len(reduced.firsts), np.int32)
    for row in range(source.shape[1]):
        done = reduce_row(source, row, row, reduced, done, found)
