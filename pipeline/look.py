"""Looks: how scene light becomes a picture to see (print), to edit (log) or to measure (linear)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.gamut import gamut_limit, into_gamut
from pipeline.print_tone import PrintTone, print_curve
from pipeline.space import Space, acescct, encode, from_working

Triple = tuple[float, float, float]
Floats = NDArray[np.float32]

# Share of the hue of scene light that a print keeps. The rest is that of its curve taken channel by
# channel, which turns orange lights a little yellow, as they look, and holds skin and sky. Measured
# in Oklab, three stops over: skin 0, sky 3, orange 7 degrees; all kept: 4, 8, 1; none: 9, 11, 31.
_HUE_KEPT = 0.7
_TINY = np.float32(1e-9)
# Pixels worked on at a time, so that all planes stay in the cache.
_BAND_PIXELS = 1 << 14


@dataclass(frozen=True)
class Levels:
    """Black point, white point (display values) and gamma per channel, as set by the user."""

    black: Triple = (0.0, 0.0, 0.0)
    white: Triple = (1.0, 1.0, 1.0)
    gamma: Triple = (1.0, 1.0, 1.0)

    @property
    def idle(self) -> bool:
        """Tell whether they change nothing."""
        return self == Levels()


def set_levels(display: Floats, levels: Levels) -> Floats:
    """Return display values 0 to 1 with black point, white point and gamma applied per channel."""
    if levels.idle:
        return display
    black, white, gamma = (
        np.asarray(item, np.float32) for item in (levels.black, levels.white, levels.gamma)
    )
    stretched = np.clip((display - black) / (white - black), 0.0, 1.0)
    result: Floats = stretched ** (1.0 / gamma)
    return result


def as_print(
    scene: Floats, space: Space, levels: Levels | None = None, tone: PrintTone | None = None
) -> Floats:
    """Return encoded display values 0 to 1 in a space for scene light (..., 3), linear ACEScg.

    The greatest and the least channel go through the print's curve, and what lies between keeps
    most of its place: a colour that grows lighter runs straight into white, its hue held.
    """
    levels, tone = levels or Levels(), tone or PrintTone()
    matrix = from_working(space).astype(np.float32)
    limit = gamut_limit(space)
    flat = np.ascontiguousarray(scene, np.float32).reshape(-1, 3)
    shown = np.empty_like(flat)
    for first in range(0, len(flat), _BAND_PIXELS):
        part = slice(first, first + _BAND_PIXELS)
        display = _display(np.array(flat[part].T, order="C"), matrix, tone)
        into_gamut(display, limit)
        encoded = np.asarray(encode(display, space), np.float32)
        shown[part] = set_levels(encoded.T, levels)
    return shown.reshape(np.shape(scene))


def _display(planes: Floats, matrix: Floats, tone: PrintTone) -> Floats:
    """Return planes (3, n) of linear display light for scene light; out of gamut, it may be < 0."""
    curved = print_curve(planes, tone)
    low, darkest = _least(planes), _least(curved)
    # The way from the least channel to the greatest: all channels of one hue share it.
    slope = (_greatest(curved) - darkest) / np.maximum(_greatest(planes) - low, _TINY)
    planes -= low
    planes *= slope * np.float32(_HUE_KEPT)
    curved -= darkest
    curved *= np.float32(1.0 - _HUE_KEPT)
    planes += curved
    # White stays white, so the matrix acts on what lies above grey alone.
    display: Floats = matrix @ planes
    display += darkest
    return display


def _least(planes: Floats) -> Floats:
    least: Floats = np.minimum(np.minimum(planes[0], planes[1]), planes[2])
    return least


def _greatest(planes: Floats) -> Floats:
    greatest: Floats = np.maximum(np.maximum(planes[0], planes[1]), planes[2])
    return greatest


def as_log(scene: Floats) -> Floats:
    """Return ACEScct values (Academy S-2016-001) for scene light, linear ACEScg."""
    return np.asarray(acescct(scene), np.float32)


def as_share(
    scene: Floats,
    look: str,
    space: Space,
    levels: Levels | None = None,
    tone: PrintTone | None = None,
) -> Floats:
    """Return display values for a small picture to share; scene looks are shown uncurved."""
    if look == "print":
        return as_print(scene, space, levels, tone)
    planes = np.asarray(from_working(space) @ scene.reshape(-1, 3).T, np.float32)
    into_gamut(planes, gamut_limit(space))
    shown = planes.T.reshape(scene.shape)
    return np.asarray(encode(shown, space), np.float32)


def to_codes(values: Floats, bits: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return values 0 to 1 as rounded codes of 8 or 16 bits, clipped."""
    scaled = np.rint(np.clip(values, 0.0, 1.0) * float(2**bits - 1))
    return np.asarray(scaled, np.uint8) if bits == 8 else np.asarray(scaled, np.uint16)
