"""Where other film, or a finger, lies across a strip."""

import math

import numpy as np

from pipeline.kinds import Mask

# What lies across a strip goes on beyond its edges for at least such shares of its width: so far
# from the edge, and over so much of its length. Light along a holder's rim is narrower.
_BEYOND, _FARTHEST, _LEAST_LENGTH = 0.04, 0.09, 0.2


def crossed_columns(film: Mask, levels: tuple[float, float]) -> tuple[float, float] | None:
    """Return the columns between which something lies across a level strip, None without.

    Parameters
    ----------
    film
        (h, w) what is film, or hangs together with it and lets as little light through; a tenth of
        the strip's width and more lies in view beyond its edges.
    levels
        Rows of the film's upper and lower edge, seen or not.
    """
    upper, lower = levels
    width = lower - upper
    near, far = _BEYOND * width, _FARTHEST * width
    sides = (
        film[max(0, math.floor(upper - far)) : max(0, math.floor(upper - near))],
        film[math.ceil(lower + near) + 1 : math.ceil(lower + far) + 1],
    )
    columns = [np.flatnonzero(side.all(axis=0)) for side in sides if len(side)]
    found = [each for each in columns if len(each) > _LEAST_LENGTH * width]
    if not found:
        return None
    every = np.concatenate(found)
    return float(every.min()), float(every.max())
