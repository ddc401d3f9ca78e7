"""The compiled loops from scene light to what is shown; importing them loads the compiler."""

from typing import Any

import numpy as np

from pipeline.code_kernel import ONE, SIXTEEN_BITS, coded, together
from pipeline.compiled import compiled, exp2, index, log2
from pipeline.kinds import Codes, Float32, Int32
from pipeline.scene_kernel import (
    BLUE,
    CHUNK,
    GREEN,
    LAYERS,
    LOWEST,
    PLANES,
    RED,
    TABLE,
    mixed,
    put,
    scene_of_stretch,
    taken,
)

_NONE, _ONE, _TINY = np.float32(0.0), np.float32(1.0), np.float32(1e-30)

SHOWING = f"{TABLE}, float32[::1], float32[::1], float32[::1], {TABLE}, boolean, boolean"
"""Types of the arrays and flags of `look.Showing`."""


@compiled(fast=True)
def _power(value: np.float32, exponent: np.float32) -> Any:
    """Return a value of 0 or more to a power above 0."""
    return exp2(exponent * log2(max(value, _TINY)))


@compiled(fast=True)
def _held(
    value: np.float32, black: np.float32, half: np.float32, scale: np.float32, most: np.float32
) -> Any:
    """Return scene light less the black, running smoothly into 0."""
    less = min(value, most) - black
    return max(less + np.sqrt(less * less + half), _NONE) * scale


@compiled(fast=True)
def _printed(work: Float32, count: int, m: Float32, tone: Float32) -> None:
    """Turn scene light into linear display light of an output space, in place."""
    m00, m01, m02 = m[0, 0], m[0, 1], m[0, 2]
    m10, m11, m12 = m[1, 0], m[1, 1], m[1, 2]
    m20, m21, m22 = m[2, 0], m[2, 1], m[2, 2]
    contrast, black, half, scale, most, white, below, kept, tiny = (
        tone[0],
        tone[1],
        tone[2],
        tone[3],
        tone[4],
        tone[5],
        tone[6],
        tone[7],
        tone[8],
    )
    for k in range(index(count)):
        r, g, b = work[RED, k], work[GREEN, k], work[BLUE, k]
        cr = _power(_held(r, black, half, scale, most), contrast)
        cg = _power(_held(g, black, half, scale, most), contrast)
        cb = _power(_held(b, black, half, scale, most), contrast)
        cr = white * cr / (cr + below)
        cg = white * cg / (cg + below)
        cb = white * cb / (cb + below)
        low, dark = min(r, min(g, b)), min(cr, min(cg, cb))
        slope = (max(cr, max(cg, cb)) - dark) / max(max(r, max(g, b)) - low, tiny) * kept
        r = (r - low) * slope + (cr - dark) * (_ONE - kept)
        g = (g - low) * slope + (cg - dark) * (_ONE - kept)
        b = (b - low) * slope + (cb - dark) * (_ONE - kept)
        work[RED, k] = m00 * r + m01 * g + m02 * b + dark
        work[GREEN, k] = m10 * r + m11 * g + m12 * b + dark
        work[BLUE, k] = m20 * r + m21 * g + m22 * b + dark


@compiled(fast=True)
def _far(work: Float32, count: int, least_share: np.float32, places: Int32) -> int:
    """Fill in the places of colours whose least channel is below a share of the greatest.

    Returns how many there are.
    """
    any_far = False
    for k in range(index(count)):
        r, g, b = work[RED, k], work[GREEN, k], work[BLUE, k]
        any_far |= min(r, min(g, b)) < least_share * max(r, max(g, b))
    found = 0
    if any_far:
        for k in range(index(count)):
            r, g, b = work[RED, k], work[GREEN, k], work[BLUE, k]
            places[index(found)] = k
            found += int(min(r, min(g, b)) < least_share * max(r, max(g, b)))
    return found


@compiled(fast=True)
def _squeezed(distances: Float32, count: int, gamut: Float32) -> None:
    """Turn distances from grey into the factors that bring them into the gamut, in place."""
    threshold, scale, power, farthest = gamut[0], gamut[1], gamut[2], gamut[3]
    for k in range(index(count)):
        distance = distances[k]
        over = max(distance - threshold, _NONE)
        less = over / _power(_ONE + _power(over / scale, power), _ONE / power)
        distances[k] = min(min(distance, threshold) + less, farthest) / distance


@compiled(fast=True)
def _inside(work: Float32, count: int, gamut: Float32, places: Int32, factors: Float32) -> None:
    """Draw colours into the gamut of their space, in place."""
    threshold, nothing = gamut[0], gamut[4]
    found = _far(work, count, _ONE - threshold, places)
    for far in range(index(found)):
        at = index(places[far])
        r, g, b = work[RED, at], work[GREEN, at], work[BLUE, at]
        top, low = max(r, max(g, b)), min(r, min(g, b))
        # Of what is black nothing is to be seen; its factor is 1.
        factors[far] = (top - low) / top if top > nothing else threshold
    _squeezed(factors, found, gamut)
    for far in range(index(found)):
        at, factor = index(places[far]), factors[far]
        r, g, b = work[RED, at], work[GREEN, at], work[BLUE, at]
        top = max(r, max(g, b))
        work[RED, at] = top - (top - r) * factor
        work[GREEN, at] = top - (top - g) * factor
        work[BLUE, at] = top - (top - b) * factor
    for k in range(index(count)):
        r, g, b = work[RED, k], work[GREEN, k], work[BLUE, k]
        less = _ONE / max(max(r, max(g, b)), _ONE)
        work[RED, k], work[GREEN, k] = max(r * less, _NONE), max(g * less, _NONE)
        work[BLUE, k] = max(b * less, _NONE)


@compiled(fast=True)
def _encoded(work: Float32, count: int, curve: Float32) -> None:
    """Encode linear light by a space's power law, in place; an exponent of 1 is none."""
    exponent, offset, slope, threshold = curve[0], curve[1], curve[2], curve[3]
    if exponent == _ONE:
        return
    for channel in range(3):
        c = index(channel)
        for k in range(index(count)):
            light = max(work[c, k], _NONE)
            value = (_ONE + offset) * _power(light, exponent) - offset
            work[c, k] = slope * light if light < threshold else value


@compiled(fast=True)
def _levelled(work: Float32, count: int, levels: Float32) -> None:
    """Apply black point, white point and gamma, in place."""
    for channel in range(3):
        c = index(channel)
        black, white, gamma = levels[0, channel], levels[1, channel], levels[2, channel]
        for k in range(index(count)):
            value = min(max((work[c, k] - black) / (white - black), _NONE), _ONE)
            work[c, k] = _power(value, _ONE / gamma) if value > _NONE else _NONE


@compiled(fast=True)
def shown(
    work: Float32,
    count: int,
    matrix: Float32,
    tone: Float32,
    gamut: Float32,
    curve: Float32,
    levels: Float32,
    printed: bool,
    levelled: bool,
    places: Int32,
    factors: Float32,
) -> None:
    """Turn scene light (3, `CHUNK`), so many pixels of it, into encoded values, in place.

    Parameters are those of `shown_of_scene`; `places` and `factors` are scratch of `CHUNK`.
    """
    if printed:
        _printed(work, count, matrix, tone)
    else:
        mixed(work, count, matrix, LOWEST)
    _inside(work, count, gamut, places, factors)
    _encoded(work, count, curve)
    if levelled:
        _levelled(work, count, levels)


@compiled(f"void({PLANES}, {PLANES}, {SHOWING})", fast=True)
def shown_of_scene(
    scene: Float32,
    result: Float32,
    matrix: Float32,
    tone: Float32,
    gamut: Float32,
    curve: Float32,
    levels: Float32,
    printed: bool,
    levelled: bool,
) -> None:
    """Fill `result` (3, rows, columns) with encoded display values for scene light of that shape.

    Parameters
    ----------
    matrix
        From the working space to the output space.
    tone
        Contrast, black, a quarter of its square, scale, ceiling, paper white, what stands below
        it in the curve, share of hue kept, least difference.
    gamut
        Threshold, scale and power of the compression, farthest distance, least light.
    curve
        Exponent, offset, slope and threshold of the encoding.
    levels
        (3, 3): black, white and gamma of each channel.
    printed, levelled
        Whether there is a print's tone curve, and whether levels do anything.
    """
    _, rows, columns = scene.shape
    work = np.empty((3, CHUNK), np.float32)
    places, factors = np.empty(CHUNK, np.int32), np.empty(CHUNK, np.float32)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            count = min(CHUNK, columns - start)
            taken(scene, row, start, work, count)
            shown(
                work, count, matrix, tone, gamut, curve, levels, printed, levelled, places, factors
            )
            put(work, count, result, row, start)


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
