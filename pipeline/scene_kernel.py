"""The compiled loops from light to scene light; importing them loads the compiler."""

import numpy as np

from pipeline.compiled import compiled, index, log2
from pipeline.kinds import Float32, Int32

CHUNK = 512
"""Pixels worked on at a time, so that all their planes stay in the nearest cache."""

_LOG10_2 = np.float32(0.30102999566398119521)
_NONE, _ONE, _NEXT = np.float32(0.0), np.float32(1.0), index(1)
RED, GREEN, BLUE = index(0), index(1), index(2)
LOWEST = np.float32(-3.0e38)
"""Less than any value, for what is not to be held."""

PLANES, TABLE = "float32[:,:,::1]", "float32[:,::1]"
LAYERS = f"{TABLE}, float32, {TABLE}, float32[::1], float32[::1], {TABLE}"
"""Types of what loops take: planes, a table, and the arrays of `layer_tables.Layers`."""


@compiled(fast=True)
def _density(
    light: Float32,
    row: int,
    start: int,
    work: Float32,
    count: int,
    across: Float32,
    along: Float32,
    dark: Float32,
    least: np.float32,
) -> None:
    """Fill `work` with density above base for a stretch of light."""
    for channel in range(3):
        c, r, at = index(channel), index(row), index(start)
        level, black = across[r, c], dark[c]
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
def _looked_up(
    work: Float32, count: int, tables: Float32, lows: Float32, steps: Float32, places: Int32
) -> None:
    """Replace values by those of each channel's table, straight between entries, in place."""
    last = np.float32(tables.shape[1] - 2)
    for channel in range(3):
        c = index(channel)
        low, step = lows[c], steps[c]
        for k in range(index(count)):
            place = min(max((work[c, k] - low) * step, _NONE), last + _ONE)
            whole = np.int32(min(place, last))
            places[k] = whole
            work[c, k] = place - np.float32(whole)
        for k in range(index(count)):
            at = index(places[k])
            here = tables[c, at]
            work[c, k] = here + work[c, k] * (tables[c, at + _NEXT] - here)


@compiled(fast=True)
def _exposed(
    work: Float32,
    count: int,
    unmask: Float32,
    least_density: np.float32,
    tables: Float32,
    lows: Float32,
    steps: Float32,
    matrix: Float32,
    places: Int32,
) -> None:
    """Turn density above base into scene light, in place."""
    mixed(work, count, unmask, least_density)
    _looked_up(work, count, tables, lows, steps, places)
    mixed(work, count, matrix, LOWEST)


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


@compiled(fast=True)
def scene_of_stretch(
    light: Float32,
    row: int,
    start: int,
    work: Float32,
    count: int,
    across: Float32,
    along: Float32,
    dark: Float32,
    least_light: np.float32,
    unmask: Float32,
    least_density: np.float32,
    tables: Float32,
    lows: Float32,
    steps: Float32,
    matrix: Float32,
    places: Int32,
) -> None:
    """Fill `work` (3, `CHUNK`) with working light for a stretch of a row of a scan's light.

    Parameters are those of `scene_of_light`; `places` is scratch of `CHUNK`.
    """
    _density(light, row, start, work, count, across, along, dark, least_light)
    _exposed(work, count, unmask, least_density, tables, lows, steps, matrix, places)


@compiled(f"void({PLANES}, {PLANES}, {TABLE}, {TABLE}, float32[::1], float32, {LAYERS})", fast=True)
def scene_of_light(
    light: Float32,
    scene: Float32,
    across: Float32,
    along: Float32,
    dark: Float32,
    least_light: np.float32,
    unmask: Float32,
    least_density: np.float32,
    tables: Float32,
    lows: Float32,
    steps: Float32,
    matrix: Float32,
) -> None:
    """Fill `scene` (3, rows, columns) with working light for a scan's `light` of that shape.

    Parameters
    ----------
    across, along
        (rows, 3) and (3, columns): their sum is log10 light of the base.
    dark, least_light
        Taken off the light; what is left is held to the least.
    unmask, least_density
        The matrix on densities above base, which are held to the least.
    tables, lows, steps
        (3, n) exposure of each layer; its density is ``lows + entry / steps``.
    matrix
        From the layers' exposures to the working space.
    """
    _, rows, columns = light.shape
    work, places = np.empty((3, CHUNK), np.float32), np.empty(CHUNK, np.int32)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            count = min(CHUNK, columns - start)
            scene_of_stretch(
                light, row, start, work, count, across, along, dark, least_light, unmask,
                least_density, tables, lows, steps, matrix, places,
            )  # fmt: skip
            put(work, count, scene, row, start)


@compiled(f"void({PLANES}, {LAYERS})", fast=True)
def scene_of_density(
    scene: Float32,
    unmask: Float32,
    least_density: np.float32,
    tables: Float32,
    lows: Float32,
    steps: Float32,
    matrix: Float32,
) -> None:
    """Turn densities above base (3, rows, columns) into working light, in place.

    Parameters are those of `scene_of_light`.
    """
    _, rows, columns = scene.shape
    work, places = np.empty((3, CHUNK), np.float32), np.empty(CHUNK, np.int32)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            count = min(CHUNK, columns - start)
            taken(scene, row, start, work, count)
            _exposed(work, count, unmask, least_density, tables, lows, steps, matrix, places)
            put(work, count, scene, row, start)
