"""The compiled loops from light to scene light; importing them loads the compiler."""

from typing import Any

import numba
import numpy as np
from numba import float32, void

from pipeline.compiled import compiled, index, log2
from pipeline.kinds import Float32, Int32
from pipeline.render.arrays import BaseLight, Layers

CHUNK = 512
"""Pixels worked on at a time, so that all their planes stay in the nearest cache."""

_LOG10_2 = np.float32(0.30102999566398119521)
NONE, ONE, _NEXT = np.float32(0.0), np.float32(1.0), index(1)
RED, GREEN, BLUE = index(0), index(1), index(2)
LOWEST = np.float32(-3.0e38)
"""Less than any value, for what is not to be held."""

types: Any = numba.types
PLANES, TABLE, ROW = float32[:, :, ::1], float32[:, ::1], float32[::1]
LAYERS = types.NamedTuple((TABLE, float32, TABLE, ROW, ROW, TABLE), Layers)
BASE = types.NamedTuple((TABLE, TABLE, ROW, float32), BaseLight)
"""Types of what loops take."""


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
def _looked_up(work: Float32, count: int, layers: Layers, places: Int32) -> None:
    """Replace values by those of each channel's table, straight between entries, in place."""
    tables = layers.tables
    last = np.float32(tables.shape[1] - 2)
    for channel in range(3):
        c = index(channel)
        low, step = layers.lows[c], layers.steps[c]
        for k in range(index(count)):
            place = min(max((work[c, k] - low) * step, NONE), last + ONE)
            whole = np.int32(min(place, last))
            places[k] = whole
            work[c, k] = place - np.float32(whole)
        for k in range(index(count)):
            at = index(places[k])
            here = tables[c, at]
            work[c, k] = here + work[c, k] * (tables[c, at + _NEXT] - here)


@compiled(fast=True)
def exposed(work: Float32, count: int, layers: Layers, places: Int32) -> None:
    """Turn density above base into scene light, in place; `places` is scratch of `CHUNK`."""
    mixed(work, count, layers.unmask, layers.least_density)
    _looked_up(work, count, layers, places)
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
    work, places = np.empty((3, CHUNK), np.float32), np.empty(CHUNK, np.int32)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            count = min(CHUNK, columns - start)
            density(light, row, start, work, count, base)
            exposed(work, count, layers, places)
            put(work, count, scene, row, start)


@compiled(void(PLANES, LAYERS), fast=True)
def scene_of_density(scene: Float32, layers: Layers) -> None:
    """Turn densities above base (3, rows, columns) into working light, in place."""
    _, rows, columns = scene.shape
    work, places = np.empty((3, CHUNK), np.float32), np.empty(CHUNK, np.int32)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            count = min(CHUNK, columns - start)
            taken(scene, row, start, work, count)
            exposed(work, count, layers, places)
            put(work, count, scene, row, start)
