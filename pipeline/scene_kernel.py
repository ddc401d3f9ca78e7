"""The compiled loops from light to scene light; importing them loads the compiler."""

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled, log2

Floats = NDArray[np.float32]
Whole = NDArray[np.int32]

CHUNK = 512
"""Pixels worked on at a time, so that all their planes stay in the nearest cache."""

_LOG10_2 = np.float32(0.30102999566398119521)
_NONE, _ONE = np.float32(0.0), np.float32(1.0)
LOWEST = np.float32(-3.0e38)
"""Less than any value, for what is not to be held."""

PLANES, TABLE = "float32[:,:,::1]", "float32[:,::1]"
LAYERS = f"{TABLE}, float32, {TABLE}, float32[::1], float32[::1], {TABLE}"
"""Types of what loops take: planes, a table, and the arrays of `layer_tables.Layers`."""


@compiled(fast=True)
def density_of(
    plane: Floats, along: Floats, across: np.float32, dark: np.float32, least: np.float32
) -> None:
    """Turn light of one channel into density above base, in place."""
    for k in range(len(plane)):
        above = max(plane[k] - dark, least)
        plane[k] = along[k] + across - _LOG10_2 * log2(above)


@compiled(fast=True)
def mixed(red: Floats, green: Floats, blue: Floats, m: Floats, least: np.float32) -> None:
    """Multiply colours, held to a least value, by a matrix, in place."""
    m00, m01, m02 = m[0, 0], m[0, 1], m[0, 2]
    m10, m11, m12 = m[1, 0], m[1, 1], m[1, 2]
    m20, m21, m22 = m[2, 0], m[2, 1], m[2, 2]
    for k in range(len(red)):
        r, g, b = max(red[k], least), max(green[k], least), max(blue[k], least)
        red[k] = m00 * r + m01 * g + m02 * b
        green[k] = m10 * r + m11 * g + m12 * b
        blue[k] = m20 * r + m21 * g + m22 * b


@compiled(fast=True)
def _looked_up(
    plane: Floats, table: Floats, low: np.float32, steps: np.float32, places: Whole
) -> None:
    """Replace values by those of a table, straight between its entries, in place."""
    last = np.float32(len(table) - 2)
    for k in range(len(plane)):
        place = min(max((plane[k] - low) * steps, _NONE), last + _ONE)
        whole = np.int32(min(place, last))
        places[k] = whole
        plane[k] = place - np.float32(whole)
    for k in range(len(plane)):
        at = places[k]
        plane[k] = table[at] + plane[k] * (table[at + 1] - table[at])


@compiled(fast=True)
def exposed(
    red: Floats,
    green: Floats,
    blue: Floats,
    unmask: Floats,
    least_density: np.float32,
    tables: Floats,
    lows: Floats,
    steps: Floats,
    matrix: Floats,
    places: Whole,
) -> None:
    """Turn density above base into scene light, in place."""
    mixed(red, green, blue, unmask, least_density)
    _looked_up(red, tables[0], lows[0], steps[0], places)
    _looked_up(green, tables[1], lows[1], steps[1], places)
    _looked_up(blue, tables[2], lows[2], steps[2], places)
    mixed(red, green, blue, matrix, LOWEST)


@compiled(fast=True)
def scene_of_chunk(
    light: Floats,
    scene: Floats,
    row: int,
    start: int,
    stop: int,
    across: Floats,
    along: Floats,
    dark: Floats,
    least_light: np.float32,
    unmask: Floats,
    least_density: np.float32,
    tables: Floats,
    lows: Floats,
    steps: Floats,
    matrix: Floats,
    places: Whole,
) -> None:
    """Do at most `CHUNK` pixels of a row of `scene_of_light`; `places` is scratch of as many."""
    for channel in range(3):
        plane = scene[channel, row, start:stop]
        plane[:] = light[channel, row, start:stop]
        density_of(
            plane, along[channel, start:stop], across[row, channel], dark[channel], least_light
        )
    exposed(
        scene[0, row, start:stop], scene[1, row, start:stop], scene[2, row, start:stop], unmask,
        least_density, tables, lows, steps, matrix, places,
    )  # fmt: skip


@compiled(f"void({PLANES}, {PLANES}, {TABLE}, {TABLE}, float32[::1], float32, {LAYERS})", fast=True)
def scene_of_light(
    light: Floats,
    scene: Floats,
    across: Floats,
    along: Floats,
    dark: Floats,
    least_light: np.float32,
    unmask: Floats,
    least_density: np.float32,
    tables: Floats,
    lows: Floats,
    steps: Floats,
    matrix: Floats,
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
    places = np.empty(CHUNK, np.int32)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            stop = min(start + CHUNK, columns)
            scene_of_chunk(
                light, scene, row, start, stop, across, along, dark, least_light, unmask,
                least_density, tables, lows, steps, matrix, places,
            )  # fmt: skip


@compiled(f"void({TABLE}, {LAYERS})", fast=True)
def scene_of_density(
    scene: Floats,
    unmask: Floats,
    least_density: np.float32,
    tables: Floats,
    lows: Floats,
    steps: Floats,
    matrix: Floats,
) -> None:
    """Turn densities above base (3, n) into working light, in place.

    Parameters are those of `scene_of_light`.
    """
    places = np.empty(CHUNK, np.int32)
    for start in range(0, scene.shape[1], CHUNK):
        stop = min(start + CHUNK, scene.shape[1])
        exposed(
            scene[0, start:stop],
            scene[1, start:stop],
            scene[2, start:stop],
            unmask,
            least_density,
            tables,
            lows,
            steps,
            matrix,
            places,
        )
