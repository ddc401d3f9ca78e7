"""Gamut: colours outside an output space drawn in smoothly, each along a line of its own hue."""

import itertools
from functools import cache

import numpy as np

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
    """Return the scale of the compression of distances from grey that takes a limit to 1.

    The curve above the threshold t, for a distance d over it, is t + d / (1 + (d / scale)^p)^(1/p):
    the Academy's published reference gamut compression (ACES 1.3).
    """
    room, reach = 1.0 - GAMUT_THRESHOLD, limit - GAMUT_THRESHOLD
    return float(reach / ((reach / room) ** GAMUT_POWER - 1.0) ** (1.0 / GAMUT_POWER))
