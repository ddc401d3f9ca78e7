"""The compiled loop from a frame's light to its positive's codes, all at once in a near cache."""

import numpy as np

from pipeline.code_kernel import ONE, SIXTEEN_BITS, coded, together
from pipeline.compiled import compiled
from pipeline.kinds import Codes, Float32
from pipeline.print_kernel import SHOWING, shown
from pipeline.scene_kernel import CHUNK, LAYERS, PLANES, TABLE, put, scene_of_stretch


@compiled(
    f"void({PLANES}, {PLANES}, uint16[:,:,::1], boolean, {TABLE}, {TABLE}, float32[::1], float32,"
    f" {LAYERS}, {SHOWING})",
    fast=True,
)
def codes_of_light(
    light: Float32,
    scene: Float32,
    codes: Codes,
    grey: bool,
    across: Float32,
    along: Float32,
    dark: Float32,
    least_light: np.float32,
    unmask: Float32,
    least_density: np.float32,
    tables: Float32,
    lows: Float32,
    steps: Float32,
    scene_matrix: Float32,
    matrix: Float32,
    tone: Float32,
    gamut: Float32,
    curve: Float32,
    levels: Float32,
    printed: bool,
    levelled: bool,
) -> None:
    """Fill `scene` as `scene_of_light` does, and codes (rows, columns, 3) with what is shown of it.

    `grey` takes the second channel for all. The other parameters are those of `scene_of_light`
    and `shown_of_scene`, after each other.
    """
    _, rows, columns = light.shape
    work, line = np.empty((3, CHUNK), np.float32), np.empty((3, CHUNK), np.uint16)
    places, factors = np.empty(CHUNK, np.int32), np.empty(CHUNK, np.float32)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            count = min(CHUNK, columns - start)
            scene_of_stretch(
                light, row, start, work, count, across, along, dark, least_light, unmask,
                least_density, tables, lows, steps, scene_matrix, places,
            )  # fmt: skip
            put(work, count, scene, row, start)
            shown(
                work, count, matrix, tone, gamut, curve, levels, printed, levelled, places, factors
            )
            coded(work, count, grey, ONE, SIXTEEN_BITS, line)
            together(line, count, codes, row, start)
