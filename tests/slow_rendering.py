"""The colour of a frame in plain float64 numpy: slow, and what the fast loops must meet.

The formulas are those of the colour model, one step after another, on whole arrays (..., 3).
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import RollColour
from pipeline.gamut import GAMUT_POWER, GAMUT_THRESHOLD, gamut_limit
from pipeline.look import Levels
from pipeline.print_tone import PRINT_WHITE, PrintTone
from pipeline.render import FrameBase
from pipeline.space import LogTransfer, PowerTransfer, Space, from_working
from pipeline.units import MIDDLE_GREY

Floats = NDArray[np.float64]

LEAST_LIGHT, LEAST_DENSITY, HUE_KEPT = 1e-5, -0.19, 0.7


def slow_density(light: Floats, base: FrameBase) -> Floats:
    """Return density above base (h, w, 3) for a frame's light."""
    rows, columns = light.shape[:2]
    terms = np.asarray(base.terms, float)
    x = base.left + (np.arange(columns) + 0.5) / columns * (base.right - base.left)
    y = base.top + (np.arange(rows) + 0.5) / rows * (base.bottom - base.top)
    level = terms[:, 0] + x[:, None] * terms[:, 1] + (x * x)[:, None] * terms[:, 2]
    level = level[None] + y[:, None, None] * terms[:, 3]
    dark = np.asarray(base.illumination.dark, float)
    return level - np.log10(np.maximum(light - dark, LEAST_LIGHT))


def slow_scene(above: Floats, colour: RollColour) -> Floats:
    """Return linear ACEScg for densities above base."""
    layers = np.maximum(above, LEAST_DENSITY) @ np.asarray(colour.unmask).T
    exposures = [
        curve.exposure(layers[..., k]) * 10.0 ** colour.balance[k] * colour.exposure
        for k, curve in enumerate(colour.curves)
    ]
    return np.stack(exposures, axis=-1) @ np.asarray(colour.scene).T


def slow_curve(light: Floats, tone: PrintTone) -> Floats:
    """Return display light by a print's curve."""
    if tone.black:

        def less(value: Floats) -> Floats:
            over = value - tone.black
            return over + np.sqrt(over * over + (tone.black / 2) ** 2)

        held = np.maximum(
            less(np.minimum(light, 1e6)) * MIDDLE_GREY / less(np.array(MIDDLE_GREY)), 0.0
        )
    else:
        held = np.clip(light, 0.0, 1e6)
    power = held**tone.contrast
    return (
        PRINT_WHITE
        * power
        / (power + MIDDLE_GREY**tone.contrast * (PRINT_WHITE / MIDDLE_GREY - 1.0))
    )


def slow_display(scene: Floats, space: Space, tone: PrintTone | None) -> Floats:
    """Return linear display light in the gamut of a space; uncurved where there is no tone."""
    matrix = from_working(space)
    if tone is None:
        return slow_gamut(scene @ matrix.T, gamut_limit(space))
    curved = slow_curve(scene, tone)
    low, dark = scene.min(axis=-1, keepdims=True), curved.min(axis=-1, keepdims=True)
    rise = np.maximum(scene.max(axis=-1, keepdims=True) - low, 1e-9)
    slope = (curved.max(axis=-1, keepdims=True) - dark) / rise
    mixed = HUE_KEPT * slope * (scene - low) + (1.0 - HUE_KEPT) * (curved - dark)
    return slow_gamut(mixed @ matrix.T + dark, gamut_limit(space))


def slow_gamut(light: Floats, limit: float) -> Floats:
    """Return light drawn into a gamut, hues held (the curve of ACES 1.3's gamut compression)."""
    top, low = light.max(axis=-1, keepdims=True), light.min(axis=-1, keepdims=True)
    room, reach = 1.0 - GAMUT_THRESHOLD, limit - GAMUT_THRESHOLD
    scale = reach / ((reach / room) ** GAMUT_POWER - 1.0) ** (1.0 / GAMUT_POWER)
    far = (low < room * top) & (top > 1e-9)
    distance = np.where(far, (top - low) / np.where(far, top, 1.0), 1.0)
    over = np.maximum(distance - GAMUT_THRESHOLD, 0.0)
    less = over / (1.0 + (over / scale) ** GAMUT_POWER) ** (1.0 / GAMUT_POWER)
    held = np.minimum(np.minimum(distance, GAMUT_THRESHOLD) + less, 1.0 - 2e-4)
    drawn = np.where(far, top - (top - light) * held / distance, light)
    return np.maximum(drawn / np.maximum(top, 1.0), 0.0)


def slow_shown(
    scene: Floats, space: Space, levels: Levels | None = None, tone: PrintTone | None = None
) -> Floats:
    """Return encoded display values 0 to 1; levels act where there is a tone."""
    encoded = space.transfer.encode(slow_display(scene, space, tone))
    if tone is None or levels is None or levels.idle:
        return np.asarray(encoded, float)
    black, white, gamma = (np.asarray(v) for v in (levels.black, levels.white, levels.gamma))
    return np.clip((encoded - black) / (white - black), 0.0, 1.0) ** (1.0 / gamma)


def slow_light(values: Floats, space: Space) -> Floats:
    """Return the linear light of encoded values; undoes the space's encoding."""
    transfer = space.transfer
    if isinstance(transfer, LogTransfer):
        return transfer.decode(values)
    if not isinstance(transfer, PowerTransfer):
        return values
    values = np.maximum(values, 0.0)
    light = ((values + transfer.offset) / (1.0 + transfer.offset)) ** transfer.gamma
    toe = values < transfer.slope * transfer.threshold
    return np.where(toe, values / transfer.slope, light) if transfer.threshold else light


def slow_codes(values: Floats) -> NDArray[np.int64]:
    """Return 16 bit codes of values 0 to 1."""
    return np.rint(np.clip(values, 0.0, 1.0) * 65535).astype(np.int64)


def slow_mean(picture: Floats, rows: int, columns: int) -> Floats:
    """Return a picture (h, w, 3) reduced by exact area means."""
    for axis, count in enumerate((rows, columns)):
        size = picture.shape[axis]
        edges = np.arange(count + 1) * size / count
        total = np.concatenate([np.zeros_like(picture.take([0], axis)), picture.cumsum(axis)], axis)
        below = np.minimum(np.floor(edges).astype(int), size)
        above = np.minimum(below + 1, size)
        shape = [1, 1, 1]
        shape[axis] = -1
        part = (edges - below).reshape(shape)
        at = total.take(below, axis) * (1 - part) + total.take(above, axis) * part
        picture = np.diff(at, axis=axis) * count / size
    return picture
