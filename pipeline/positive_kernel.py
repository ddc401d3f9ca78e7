"""The compiled loops that turn light into positives; importing them loads the compiler."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled, exp2, log2

Floats = NDArray[np.float32]
Whole = NDArray[np.int32]
Codes = NDArray[np.uint16]

CHUNK = 512
"""Pixels worked on at a time, so that all their planes stay in the nearest cache."""

_LOG10_2 = np.float32(0.30102999566398119521)
_NONE, _ONE = np.float32(0.0), np.float32(1.0)
_TINY, _LOWEST = np.float32(1e-30), np.float32(-3.0e38)

_PLANES, _TABLE = "float32[:,:,::1]", "float32[:,::1]"
_LAYERS = f"{_TABLE}, float32, {_TABLE}, float32[::1], float32[::1], {_TABLE}"


@compiled(fast=True)
def _density(
    plane: Floats, along: Floats, across: np.float32, dark: np.float32, least: np.float32
) -> None:
    """Turn light of one channel into density above base, in place."""
    for k in range(len(plane)):
        above = max(plane[k] - dark, least)
        plane[k] = along[k] + across - _LOG10_2 * log2(above)


@compiled(fast=True)
def _mixed(red: Floats, green: Floats, blue: Floats, m: Floats, least: np.float32) -> None:
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
def _exposed(
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
    _mixed(red, green, blue, unmask, least_density)
    _looked_up(red, tables[0], lows[0], steps[0], places)
    _looked_up(green, tables[1], lows[1], steps[1], places)
    _looked_up(blue, tables[2], lows[2], steps[2], places)
    _mixed(red, green, blue, matrix, _LOWEST)


@compiled(
    f"void({_PLANES}, {_PLANES}, {_TABLE}, {_TABLE}, float32[::1], float32, {_LAYERS})", fast=True
)
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
            for channel in range(3):
                plane = scene[channel, row, start:stop]
                plane[:] = light[channel, row, start:stop]
                _density(
                    plane,
                    along[channel, start:stop],
                    across[row, channel],
                    dark[channel],
                    least_light,
                )
            _exposed(
                scene[0, row, start:stop],
                scene[1, row, start:stop],
                scene[2, row, start:stop],
                unmask,
                least_density,
                tables,
                lows,
                steps,
                matrix,
                places,
            )


@compiled(f"void({_TABLE}, {_LAYERS})", fast=True)
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
        _exposed(
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
def _printed(red: Floats, green: Floats, blue: Floats, m: Floats, tone: Floats) -> None:
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
    for k in range(len(red)):
        r, g, b = red[k], green[k], blue[k]
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
        red[k] = m00 * r + m01 * g + m02 * b + dark
        green[k] = m10 * r + m11 * g + m12 * b + dark
        blue[k] = m20 * r + m21 * g + m22 * b + dark


@compiled(fast=True)
def _inside(red: Floats, green: Floats, blue: Floats, gamut: Floats) -> None:
    """Draw colours into the gamut of their space, in place."""
    threshold, scale, power, farthest, nothing = gamut[0], gamut[1], gamut[2], gamut[3], gamut[4]
    any_far = False
    for k in range(len(red)):
        top, low = max(red[k], max(green[k], blue[k])), min(red[k], min(green[k], blue[k]))
        any_far |= low < (_ONE - threshold) * top
    if any_far:
        for k in range(len(red)):
            r, g, b = red[k], green[k], blue[k]
            top, low = max(r, max(g, b)), min(r, min(g, b))
            distance = (top - low) / max(top, nothing)
            over = max(distance - threshold, _NONE)
            less = over / _power(_ONE + _power(over / scale, power), _ONE / power)
            held = min(min(distance, threshold) + less, farthest)
            is_far = (low < (_ONE - threshold) * top) & (top > nothing)
            factor = held / distance if is_far else _ONE
            red[k] = top - (top - r) * factor
            green[k] = top - (top - g) * factor
            blue[k] = top - (top - b) * factor
    for k in range(len(red)):
        r, g, b = red[k], green[k], blue[k]
        less = _ONE / max(max(r, max(g, b)), _ONE)
        red[k], green[k], blue[k] = max(r * less, _NONE), max(g * less, _NONE), max(b * less, _NONE)


@compiled(fast=True)
def _encoded(plane: Floats, curve: Floats) -> None:
    """Encode linear light by a space's power law, in place; an exponent of 1 is none."""
    exponent, offset, slope, threshold = curve[0], curve[1], curve[2], curve[3]
    if exponent == _ONE:
        return
    for k in range(len(plane)):
        light = max(plane[k], _NONE)
        value = (_ONE + offset) * _power(light, exponent) - offset
        plane[k] = slope * light if light < threshold else value


@compiled(fast=True)
def _levelled(plane: Floats, black: np.float32, white: np.float32, gamma: np.float32) -> None:
    """Apply black point, white point and gamma, in place."""
    for k in range(len(plane)):
        value = min(max((plane[k] - black) / (white - black), _NONE), _ONE)
        plane[k] = _power(value, _ONE / gamma) if value > _NONE else _NONE


@compiled(
    f"void({_PLANES}, {_PLANES}, {_TABLE}, float32[::1], float32[::1], float32[::1], {_TABLE},"
    " boolean, boolean)",
    fast=True,
)
def shown_of_scene(
    scene: Floats,
    shown: Floats,
    matrix: Floats,
    tone: Floats,
    gamut: Floats,
    curve: Floats,
    levels: Floats,
    printed: bool,
    levelled: bool,
) -> None:
    """Fill `shown` (3, rows, columns) with encoded display values for scene light of that shape.

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
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            stop = min(start + CHUNK, columns)
            for channel in range(3):
                shown[channel, row, start:stop] = scene[channel, row, start:stop]
            red, green, blue = (
                shown[0, row, start:stop],
                shown[1, row, start:stop],
                shown[2, row, start:stop],
            )
            if printed:
                _printed(red, green, blue, matrix, tone)
            else:
                _mixed(red, green, blue, matrix, _LOWEST)
            _inside(red, green, blue, gamut)
            for channel in range(3):
                plane = shown[channel, row, start:stop]
                _encoded(plane, curve)
                if levelled:
                    _levelled(plane, levels[0, channel], levels[1, channel], levels[2, channel])
