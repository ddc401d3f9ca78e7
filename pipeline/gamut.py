"""Gamut: colours outside an output space drawn in smoothly, each along a line of its own hue."""

import itertools
from functools import cache

import numpy as np

from pipeline.kinds import Float32
from pipeline.space import Space, from_working

GAMUT_THRESHOLD = 0.82
GAMUT_POWER = 1.2
_LEAST_ROOM = 1.02
# What has no light has no hue.
_BLACK = 1e-9
# A plain power law is infinitely steep at 0, so that the last bit of a float would show there.
FARTHEST = 1.0 - 2e-4


@cache
def gamut_limit(space: Space) -> float:
    """Return how far from grey the colours of the working space lie in a space, at the most.

    Distance from grey is ``(max - min) / max`` of the channels: 1 on the border of the space.
    """
    # Fully saturated colours: one channel 1, one 0, the third anything between.
    steps = np.linspace(0.0, 1.0, 201)
    ones, zeros = np.ones_like(steps), np.zeros_like(steps)
    border = np.concatenate(
        [np.stack(order, axis=1) for order in itertools.permutations((ones, steps, zeros))]
    )
    shown = border @ from_working(space).T
    farthest = (np.ptp(shown, axis=1) / shown.max(axis=1)).max()
    return max(float(farthest), _LEAST_ROOM)


def squeeze_scale(limit: float) -> float:
    """Return the scale of the compression for a limit, as `squeezed` has it."""
    room, reach = 1.0 - GAMUT_THRESHOLD, limit - GAMUT_THRESHOLD
    return float(reach / ((reach / room) ** GAMUT_POWER - 1.0) ** (1.0 / GAMUT_POWER))


def squeezed(distance: Float32, limit: float) -> Float32:
    """Return distances from grey, compressed above a threshold so that `limit` nearly becomes 1.

    Form of the curve: the Academy's published reference gamut compression (ACES 1.3).
    """
    scale = squeeze_scale(limit)
    over = np.maximum(distance - np.float32(GAMUT_THRESHOLD), 0.0)
    less = over / (1.0 + (over / np.float32(scale)) ** GAMUT_POWER) ** (1.0 / GAMUT_POWER)
    held = np.minimum(distance, np.float32(GAMUT_THRESHOLD)) + less
    return np.asarray(np.minimum(held, np.float32(FARTHEST)), np.float32)


def into_gamut(planes: Float32, limit: float) -> None:
    """Draw colours outside the space in towards grey of equal maximum, in place.

    Parameters
    ----------
    planes
        (3, ...) linear RGB of the space, float32; what lies within is left alone, and so is the
        greatest channel unless it is above 1.
    limit
        Distance from grey that comes to lie at the border (`gamut_limit`).

    Notes
    -----
    All channels move in proportion, so a colour keeps its hue: its dominant wavelength, the
    order and the spacing of its channels. Above 1 a colour is dimmed as a whole, for the same
    reason. Nothing is negative afterwards.
    """
    red, green, blue = planes
    top = np.maximum(np.maximum(red, green), blue)
    low = np.minimum(np.minimum(red, green), blue)
    far = (low < np.float32(1.0 - GAMUT_THRESHOLD) * top) & (top > _BLACK)
    if far.any():
        peak, floor = top[far], low[far]
        distance = (peak - floor) / peak
        factor = squeezed(distance, limit) / distance
        for plane in planes:
            plane[far] = peak - (peak - plane[far]) * factor
    bright = top > 1.0
    if bright.any():
        for plane in planes:
            plane[bright] /= top[bright]
    np.maximum(planes, 0.0, out=planes)
