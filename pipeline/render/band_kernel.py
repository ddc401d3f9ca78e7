"""The compiled loops over bands of light, to scene light.

Importing them loads the compiler.
"""

from typing import Any

import numba
import numpy as np
from numba import boolean, float32, int32, int64, void

from pipeline.compiled import compiled, index, log2
from pipeline.kinds import Float32, Int32, Whole
from pipeline.render.arrays import BaseLight, Layers, Reduced

CHUNK = 512
"""Pixels worked on at a time, so that all their planes stay in the nearest cache."""

VECTOR = 16
"""Pixels that the widest vectors hold."""

_LOG10_2 = np.float32(0.30102999566398119521)
NONE, ONE = np.float32(0.0), np.float32(1.0)
NEXT, TWO = index(1), index(2)
RED, GREEN, BLUE = index(0), index(1), index(2)
types: Any = numba.types
PLANES, TABLE, ROW = float32[:, :, ::1], float32[:, ::1], float32[::1]
LAYERS = types.NamedTuple((TABLE, float32, int64[:, ::1], ROW, ROW, TABLE), Layers)
BASE = types.NamedTuple((TABLE, TABLE, ROW, float32), BaseLight)
REDUCED = types.NamedTuple((PLANES, TABLE, boolean[::1], ROW, int32[::1], TABLE), Reduced)
"""Types of what loops take."""


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
        at = TWO * k
        r = parts[RED, at] + work[RED, k] * parts[RED, at + NEXT]
        g = parts[GREEN, at] + work[GREEN, k] * parts[GREEN, at + NEXT]
        b = parts[BLUE, at] + work[BLUE, k] * parts[BLUE, at + NEXT]
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
