"""The compiled loops over pixels of which a scan tells too little of density."""

import math
from typing import Any

import numpy as np
from numba import float32, float64, void

from pipeline.compiled import compiled, index
from pipeline.kinds import Float32, Float64
from pipeline.render.arrays import BaseLight, Coarse
from pipeline.render.band_kernel import BASE, CHUNK, PLANES, ROW, TABLE, types

_COARSE = types.NamedTuple((TABLE, ROW, TABLE, ROW, float32), Coarse)
_PIXELS = float64[:, ::1]
# Light is moved by so many of its errors at the most: what it is surely not, no grey makes it.
_MOST_ERRORS, _NO_LIGHT = 2.0, 1e-6
# From where it was seen a density comes to what is likely in so many rounds, nearly.
_ROUNDS = 2


@compiled()
def _error(above: float, reach: float, channel: int, coarse: Coarse) -> float:
    """Return what light above dark, of so much that is told of, may be off by, one deviation."""
    steps = coarse.steps
    last = steps.shape[1] - 1
    place = min(max(above / reach, 0.0), 1.0) * last
    low = min(int(place), last - 1)
    part = place - low
    return float(steps[channel, low] * (1.0 - part) + steps[channel, low + 1] * part)


@compiled()
def _doubt(relative: float, denser: bool) -> float:
    """Return by how much a density may be greater, or less, than light of an error tells.

    Light that may be none has any density; with an error of nought it has its own.
    """
    light = 1.0 - relative if denser else 1.0 + relative
    return abs(math.log10(max(light, _NO_LIGHT)))


@compiled()
def _along(above: Float64, relative: Float64, coarse: Coarse) -> Any:
    """Return how far along the line of greys densities (3,) are, each by what is known of it."""
    farthest, whole, told = -np.inf, 0.0, 0.0
    for c in range(3):
        own: Any = (above[c] - coarse.greys[0, c]) / coarse.greys[1, c]
        farthest = max(farthest, own)
    for c in range(3):
        way = coarse.greys[1, c]
        own = (above[c] - coarse.greys[0, c]) / way
        known = way * way / (_doubt(relative[c], own < farthest) ** 2 + coarse.spread[c] ** 2)
        whole += known
        told += known * own
    return told / whole


@compiled()
def _moved(above: Float64, relative: Float64, coarse: Coarse) -> None:
    """Move densities (3,), in place, to what is likely for the relative errors of their light (3,).

    Colours lie off grey with heavy tails, as Student's t of one degree of freedom: what is surely
    colourful is no grey that was seen wrongly. Those whose doubt changes nothing stay as they are.
    """
    along = _along(above, relative, coarse)
    for c in range(3):
        off = coarse.greys[0, c] + along * coarse.greys[1, c] - above[c]
        spread: Any = coarse.spread[c]
        doubt = max(0.0, _doubt(relative[c], off > 0.0) ** 2 - coarse.least * spread)
        most = _doubt(_MOST_ERRORS * relative[c], off > 0.0)
        moved = 0.0
        for _ in range(_ROUNDS):
            usual = (spread**2 + (off - moved) ** 2) / 2.0
            moved = min(max(doubt / (doubt + usual) * off, -most), most)
        above[c] += moved


@compiled(void(_PIXELS, _PIXELS, _COARSE))
def moved_densities(above: Float64, relative: Float64, coarse: Coarse) -> None:
    """Move densities above base (n, 3), in place, to what is likely for errors of light (n, 3).

    Errors are relative, 1 at the most.
    """
    for pixel in range(len(above)):
        _moved(above[pixel], relative[pixel], coarse)


@compiled(fast=True)
def _any_dark(light: Float32, row: int, start: int, count: int, most: Float32) -> bool:
    """Tell whether a stretch of a row has pixels that are not known well enough."""
    r, at = index(row), index(start)
    red, green, blue = most[0], most[1], most[2]
    found = False
    for k in range(index(count)):
        found |= (
            (light[index(0), r, at + k] < red)
            | (light[index(1), r, at + k] < green)
            | (light[index(2), r, at + k] < blue)
        )
    return found


@compiled(void(PLANES, BASE, _COARSE))
def settled(light: Float32, base: BaseLight, coarse: Coarse) -> None:
    """Move light (3, rows, columns), in place, to what is likely where too little is known."""
    _, rows, columns = light.shape
    most, dark = coarse.most, base.dark
    above, before, relative = np.empty(3), np.empty(3), np.empty(3)
    for row in range(rows):
        for start in range(0, columns, CHUNK):
            count = min(CHUNK, columns - start)
            if not _any_dark(light, row, start, count, most):
                continue
            for column in range(start, start + count):
                red, green = light[0, row, column], light[1, row, column]
                if red >= most[0] and green >= most[1] and light[2, row, column] >= most[2]:
                    continue
                for c in range(3):
                    over = light[c, row, column] - dark[c]
                    error = _error(over, most[c] - dark[c], c, coarse)
                    taken = max(over, error)
                    level = base.across[row, c] + base.along[c, column]
                    above[c] = level - math.log10(taken)
                    relative[c] = error / taken
                    before[c] = above[c]
                _moved(above, relative, coarse)
                for c in range(3):
                    if light[c, row, column] >= most[c] or above[c] == before[c]:
                        continue
                    level = base.across[row, c] + base.along[c, column]
                    light[c, row, column] = dark[c] + 10.0 ** (level - above[c])
