"""Looks: how scene light becomes a picture to see (print), to edit (log) or to measure (linear)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.space import Space, acescct, encode, from_working

Triple = tuple[float, float, float]
Floats = NDArray[np.float32]

_GREY = 0.18
_PRINT_CONTRAST = 1.45
_PRINT_WHITE = 1.06
_MOST_LIGHT = 1e6
_GAMUT_THRESHOLD = 0.82
_GAMUT_LIMIT = 1.35
_GAMUT_POWER = 1.2


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


def print_curve(light: Floats) -> Floats:
    """Return display light for scene light, middle grey 0.18 staying where it is.

    It runs from 0 to a little above 1, which is clipped after the change of space.

    ``w x^n / (x^n + k)``: a line of slope n in log-log about the middle, running smoothly into
    paper white and black, as a print's characteristic curve does (Naka-Rushton form).
    """
    # Far above white the curve is flat; the ceiling keeps the power finite.
    held = np.clip(np.asarray(light, np.float32), 0.0, _MOST_LIGHT)
    power = np.power(held, np.float32(_PRINT_CONTRAST))
    at_grey = _GREY**_PRINT_CONTRAST
    half = at_grey * (_PRINT_WHITE / _GREY - 1.0)
    curved = np.float32(_PRINT_WHITE) * power / (power + np.float32(half))
    return np.asarray(curved, np.float32)


def into_gamut(rgb: Floats) -> Floats:
    """Return linear RGB with colours outside the space drawn in towards grey of equal maximum.

    Distance from grey is compressed smoothly above a threshold, so that hue holds and no edge
    shows. Form of the curve: the Academy's published reference gamut compression (ACES 1.3).
    """
    top = np.max(rgb, axis=-1, keepdims=True)
    safe = np.maximum(top, np.float32(1e-6))
    distance = (top - rgb) / safe
    over = np.maximum(distance - _GAMUT_THRESHOLD, 0.0)
    room = 1.0 - _GAMUT_THRESHOLD
    reach = _GAMUT_LIMIT - _GAMUT_THRESHOLD
    scale = reach / ((reach / room) ** _GAMUT_POWER - 1.0) ** (1.0 / _GAMUT_POWER)
    squeezed = over / (1.0 + (over / scale) ** _GAMUT_POWER) ** (1.0 / _GAMUT_POWER)
    drawn = top - safe * (np.minimum(distance, _GAMUT_THRESHOLD) + np.minimum(squeezed, room))
    return np.asarray(drawn, np.float32)


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


def as_print(scene: Floats, space: Space, levels: Levels) -> Floats:
    """Return encoded display values 0 to 1 in a space for scene light (linear ACEScg)."""
    matrix = np.asarray(from_working(space), np.float32)
    display = into_gamut(print_curve(scene) @ matrix.T)
    encoded = np.asarray(encode(np.clip(display, 0.0, 1.0), space), np.float32)
    return set_levels(encoded, levels)


def as_log(scene: Floats) -> Floats:
    """Return ACEScct values (Academy S-2016-001) for scene light, linear ACEScg."""
    return np.asarray(acescct(scene), np.float32)


def as_share(scene: Floats, look: str, space: Space, levels: Levels) -> Floats:
    """Return display values for a small picture to share; scene looks are shown uncurved."""
    if look == "print":
        return as_print(scene, space, levels)
    matrix = np.asarray(from_working(space), np.float32)
    shown = np.clip(into_gamut(scene @ matrix.T), 0.0, 1.0)
    return np.asarray(encode(shown, space), np.float32)


def to_codes(values: Floats, bits: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return values 0 to 1 as rounded codes of 8 or 16 bits, clipped."""
    scaled = np.rint(np.clip(values, 0.0, 1.0) * float(2**bits - 1))
    return np.asarray(scaled, np.uint8) if bits == 8 else np.asarray(scaled, np.uint16)
