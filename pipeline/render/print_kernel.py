"""The compiled loops from scene light to what is shown; importing them loads the compiler."""

from typing import Any

import numpy as np
from numba import boolean, float32, uint8, uint16, void

from pipeline.compiled import compiled, exp2, held_exp2, index, log2
from pipeline.kinds import Codes, Float32, Int32
from pipeline.render.arrays import TAPS, BaseLight, Layers, Reduced, Scratch, Showing
from pipeline.render.band_kernel import (
    BASE,
    BLUE,
    CHUNK,
    GREEN,
    LAYERS,
    NONE,
    ONE,
    PLANES,
    RED,
    REDUCED,
    TABLE,
    density,
    exposed,
    put,
    stretch,
    taken,
    types,
)
from pipeline.render.code_kernel import EIGHT_BITS, SIXTEEN_BITS, coded, together
from pipeline.render.mean_kernel import narrowed, summed

_TINY, _WHITE = np.float32(1e-30), np.float32(1e9)
_VECTORS = 64
_TONE, _GAMUT, _CURVE = (types.UniTuple(float32, count) for count in (10, 5, 4))
_SHOWING = types.NamedTuple((TABLE, _TONE, _GAMUT, _CURVE, TABLE, boolean, boolean), Showing)

Numbers = tuple[np.float32, ...]


@compiled(fast=True)
def _power(value: np.float32, exponent: np.float32) -> Any:
    """Return a value of 0 or more to a power above 0."""
    return held_exp2(exponent * log2(max(value, _TINY)))


@compiled(fast=True)
def _curved(work: Float32, count: int, tone: Numbers, curved: Float32) -> None:
    """Fill `curved` with scene light less the black, which runs smoothly into 0, to the contrast.

    Channel by channel, and apart from what mixes them: in longer loops less is done at a time.
    """
    contrast, black, half, scale, most, least = *tone[:5], tone[9]
    for channel in range(3):
        c = index(channel)
        if half > NONE:
            for k in range(index(count)):
                less = min(work[c, k], most) - black
                held = (less + np.sqrt(less * less + half)) * scale
                curved[c, k] = log2(max(held, least))
        else:
            # Without a black the root is the light itself; a root takes long.
            for k in range(index(count)):
                curved[c, k] = log2(max(min(work[c, k], most) * (scale + scale), least))
        for k in range(index(count)):
            curved[c, k] = exp2(contrast * curved[c, k])


@compiled(fast=True)
def _printed(work: Float32, count: int, m: Float32, tone: Numbers, curved: Float32) -> None:
    """Turn scene light into linear display light of an output space, in place."""
    _curved(work, count, tone, curved)
    m00, m01, m02 = m[0, 0], m[0, 1], m[0, 2]
    m10, m11, m12 = m[1, 0], m[1, 1], m[1, 2]
    m20, m21, m22 = m[2, 0], m[2, 1], m[2, 2]
    white, below, kept, tiny = tone[5:9]
    for k in range(index(count)):
        r, g, b = work[RED, k], work[GREEN, k], work[BLUE, k]
        # One division for four; what is cut off is white by far.
        cr, cg = min(curved[RED, k], _WHITE), min(curved[GREEN, k], _WHITE)
        cb = min(curved[BLUE, k], _WHITE)
        sr, sg, sb = cr + below, cg + below, cb + below
        low = min(r, min(g, b))
        rise, bases = max(max(r, max(g, b)) - low, tiny), sr * sg * sb
        inverse = ONE / (rise * bases)
        whole = white * rise * inverse
        cr, cg, cb = cr * whole * (sg * sb), cg * whole * (sr * sb), cb * whole * (sr * sg)
        dark = min(cr, min(cg, cb))
        slope = (max(cr, max(cg, cb)) - dark) * (bases * inverse) * kept
        r = (r - low) * slope + (cr - dark) * (ONE - kept)
        g = (g - low) * slope + (cg - dark) * (ONE - kept)
        b = (b - low) * slope + (cb - dark) * (ONE - kept)
        work[RED, k] = m00 * r + m01 * g + m02 * b + dark
        work[GREEN, k] = m10 * r + m11 * g + m12 * b + dark
        work[BLUE, k] = m20 * r + m21 * g + m22 * b + dark


@compiled(fast=True)
def _mixed(work: Float32, count: int, m: Float32) -> None:
    """Multiply colours by a matrix, in place."""
    m00, m01, m02 = m[0, 0], m[0, 1], m[0, 2]
    m10, m11, m12 = m[1, 0], m[1, 1], m[1, 2]
    m20, m21, m22 = m[2, 0], m[2, 1], m[2, 2]
    for k in range(index(count)):
        r, g, b = work[RED, k], work[GREEN, k], work[BLUE, k]
        work[RED, k] = m00 * r + m01 * g + m02 * b
        work[GREEN, k] = m10 * r + m11 * g + m12 * b
        work[BLUE, k] = m20 * r + m21 * g + m22 * b


@compiled(fast=True)
def _is_inside(work: Float32, count: int, least_share: np.float32) -> bool:
    """Tell whether all colours are near grey and no lighter than white, as most are."""
    outside = False
    for k in range(index(count)):
        r, g, b = work[RED, k], work[GREEN, k], work[BLUE, k]
        top = max(r, max(g, b))
        outside |= (min(r, min(g, b)) < least_share * top) | (top > ONE)
    return not outside


@compiled(fast=True)
def _far(work: Float32, count: int, least_share: np.float32, places: Int32) -> int:
    """Fill in the places of colours whose least channel is below a share of the greatest.

    Returns how many there are.
    """
    found = 0
    for k in range(index(count)):
        r, g, b = work[RED, k], work[GREEN, k], work[BLUE, k]
        places[RED, index(found)] = k
        found += int(min(r, min(g, b)) < least_share * max(r, max(g, b)))
    return found


@compiled(fast=True)
def _squeezed(distances: Float32, count: int, gamut: Numbers) -> None:
    """Turn distances from grey into the factors that bring them into the gamut, in place."""
    threshold, scale, power, farthest, _ = gamut
    for k in range(index(count)):
        distance = distances[k]
        over = max(distance - threshold, NONE)
        less = over / _power(ONE + _power(over / scale, power), ONE / power)
        distances[k] = min(min(distance, threshold) + less, farthest) / distance


@compiled(fast=True)
def _inside(work: Float32, count: int, gamut: Numbers, room: Scratch) -> None:
    """Draw colours into the gamut of their space, in place."""
    threshold, nothing, places, factors = gamut[0], gamut[4], room.places, room.factors
    if _is_inside(work, count, ONE - threshold):
        return
    found = _far(work, count, ONE - threshold, places)
    for far in range(index(found)):
        at = index(places[RED, far])
        r, g, b = work[RED, at], work[GREEN, at], work[BLUE, at]
        top, low = max(r, max(g, b)), min(r, min(g, b))
        # Of what is black nothing is to be seen; its factor is 1.
        factors[far] = (top - low) / top if top > nothing else threshold
    # Whole vectors, so that a colour's last bit doesn't hang on how many stand beside it.
    _squeezed(factors, (found + _VECTORS - 1) // _VECTORS * _VECTORS, gamut)
    for far in range(index(found)):
        at, factor = index(places[RED, far]), factors[far]
        r, g, b = work[RED, at], work[GREEN, at], work[BLUE, at]
        top = max(r, max(g, b))
        work[RED, at] = top - (top - r) * factor
        work[GREEN, at] = top - (top - g) * factor
        work[BLUE, at] = top - (top - b) * factor
    for k in range(index(count)):
        r, g, b = work[RED, k], work[GREEN, k], work[BLUE, k]
        less = ONE / max(max(r, max(g, b)), ONE)
        work[RED, k], work[GREEN, k] = max(r * less, NONE), max(g * less, NONE)
        work[BLUE, k] = max(b * less, NONE)


@compiled(fast=True)
def _encoded(work: Float32, count: int, curve: Numbers, logs: Float32) -> None:
    """Encode linear light by a space's power law, in place; an exponent of 1 is none.

    `logs` is room for `CHUNK`. A logarithm and a power in one loop wait for each other.
    """
    exponent, offset, slope, threshold = curve
    if exponent == ONE:
        return
    for channel in range(3):
        c = index(channel)
        for k in range(index(count)):
            logs[k] = log2(max(work[c, k], _TINY))
        for k in range(index(count)):
            light = max(work[c, k], NONE)
            # An exponent below 1, so that the power is within what a float32 can say.
            value = (ONE + offset) * exp2(exponent * logs[k]) - offset
            work[c, k] = slope * light if light < threshold else value


@compiled(fast=True)
def _levelled(work: Float32, count: int, levels: Float32) -> None:
    """Apply black point, white point and gamma, in place."""
    for channel in range(3):
        c = index(channel)
        black, white, gamma = levels[0, channel], levels[1, channel], levels[2, channel]
        for k in range(index(count)):
            value = min(max((work[c, k] - black) / (white - black), NONE), ONE)
            work[c, k] = _power(value, ONE / gamma) if value > NONE else NONE


@compiled(fast=True)
def _shown(work: Float32, count: int, way: Showing, room: Scratch) -> None:
    """Turn scene light (3, `CHUNK`), so many pixels of it, into encoded values, in place."""
    if way.printed:
        _printed(work, count, way.matrix, way.tone, room.curved)
    else:
        _mixed(work, count, way.matrix)
    _inside(work, count, way.gamut, room)
    _encoded(work, count, way.curve, room.factors)
    if way.levelled:
        _levelled(work, count, way.levels)


@compiled()
def _scratch() -> Scratch:
    return Scratch(
        np.empty((3, CHUNK), np.float32),
        np.empty((3, CHUNK), np.int32),
        np.empty(CHUNK, np.float32),
        np.empty((3, CHUNK), np.int64),
    )


@compiled(void(PLANES, PLANES, _SHOWING), fast=True)
def shown_of_scene(scene: Float32, result: Float32, way: Showing) -> None:
    """Fill `result` (3, rows, columns) with encoded display values for scene light alike."""
    _, rows, columns = scene.shape
    work = np.empty((3, CHUNK), np.float32)
    room = _scratch()
    for row in range(rows):
        for begin in range(0, columns, CHUNK):
            start, count = stretch(begin, columns)
            taken(scene, row, start, work, count)
            _shown(work, count, way, room)
            put(work, count, result, row, start)


@compiled(void(PLANES, uint8[:, :, ::1], boolean, _SHOWING), fast=True)
def codes_of_scene(scene: Float32, codes: Codes, grey: bool, way: Showing) -> None:
    """Fill 8 bit codes (rows, columns, 3) with what is shown of scene light (3, rows, columns).

    `grey` takes the second channel for all.
    """
    _, rows, columns = scene.shape
    work, line = np.empty((3, CHUNK), np.float32), np.empty((3, CHUNK), np.uint8)
    pixels = codes.reshape(rows, 3 * columns)
    room = _scratch()
    for row in range(rows):
        for begin in range(0, columns, CHUNK):
            start, count = stretch(begin, columns)
            taken(scene, row, start, work, count)
            _shown(work, count, way, room)
            coded(work, count, grey, ONE, EIGHT_BITS, line)
            together(line, count, pixels, row, start)


@compiled(void(PLANES, uint16[:, :, ::1], boolean, BASE, LAYERS, _SHOWING, REDUCED), fast=True)
def codes_of_light(
    light: Float32,
    codes: Codes,
    grey: bool,
    base: BaseLight,
    layers: Layers,
    way: Showing,
    reduced: Reduced,
) -> None:
    """Fill codes (rows, columns, 3) with what is shown of light, and `reduced` with scene light.

    `grey` takes the second channel for all.
    """
    _, rows, columns = light.shape
    work, line = np.empty((3, CHUNK), np.float32), np.empty((3, CHUNK), np.uint16)
    pixels = codes.reshape(rows, 3 * columns)
    room = _scratch()
    scene, done, shared = work.reshape(3, 1, CHUNK), 0, reduced.sums.size > 0
    whole, found = np.zeros((3, columns + TAPS), np.float32), np.empty(TAPS * CHUNK, np.int32)
    for row in range(rows):
        for begin in range(0, columns, CHUNK):
            start, count = stretch(begin, columns)
            density(light, row, start, work, count, base)
            exposed(work, count, layers, room.places, room.found)
            if shared:
                again = begin - start
                summed(scene, 0, again, count - again, reduced, row, begin, whole)
            _shown(work, count, way, room)
            coded(work, count, grey, ONE, SIXTEEN_BITS, line)
            together(line, count, pixels, row, start)
        if shared and reduced.ends[row]:
            narrowed(whole, reduced, done, found)
            done += 1
