"""The compiled loops over pixels whose codes tell too little of density."""

import math

import numpy as np
from numba import float32, float64, void

from pipeline.compiled import compiled
from pipeline.kinds import Float32, Float64
from pipeline.render.arrays import BaseLight, Coarse
from pipeline.render.band_kernel import BASE, PLANES, ROW, TABLE, types

_LN10 = math.log(10.0)
_COARSE = types.NamedTuple((TABLE, ROW, TABLE, float32, float32), Coarse)
_PIXELS = float64[:, ::1]


@compiled()
def _error(light: float, channel: int, coarse: Coarse) -> float:
    """Return what light may be off by, one standard deviation."""
    steps = coarse.steps
    last = steps.shape[1] - 1
    place = min(max(light / coarse.most[channel], 0.0), 1.0) * last
    low = min(int(place), last - 1)
    part = place - low
    return float(steps[channel, low] * (1.0 - part) + steps[channel, low + 1] * part)


@compiled()
def _moved(above: Float64, doubt: Float64, coarse: Coarse) -> None:
    """Move densities (3,), in place, to what is likely for their squared doubts (3,).

    Those whose doubt changes nothing stay as they are.
    """
    whole, told = 0.0, 0.0
    for c in range(3):
        # How far along the line of greys each channel is, by what is known of it.
        way = coarse.greys[1, c]
        known = way * way / (doubt[c] + coarse.spread**2)
        whole += known
        told += known * (above[c] - coarse.greys[0, c]) / way
    along = told / whole
    for c in range(3):
        share = doubt[c] / (doubt[c] + coarse.spread**2)
        share = max(0.0, share - coarse.least) / (1.0 - coarse.least)
        grey = coarse.greys[0, c] + along * coarse.greys[1, c]
        above[c] += share * (grey - above[c])


@compiled(void(_PIXELS, _PIXELS, _COARSE))
def moved_densities(above: Float64, doubts: Float64, coarse: Coarse) -> None:
    """Move densities above base (n, 3), in place, to what is likely for their doubts (n, 3)."""
    doubt = np.empty(3)
    for pixel in range(len(above)):
        for c in range(3):
            doubt[c] = doubts[pixel, c] ** 2
        _moved(above[pixel], doubt, coarse)


@compiled(void(PLANES, BASE, _COARSE))
def settled(light: Float32, base: BaseLight, coarse: Coarse) -> None:
    """Move light (3, rows, columns), in place, to what is likely where its codes are coarse."""
    _, rows, columns = light.shape
    above, before, doubt = np.empty(3), np.empty(3), np.empty(3)
    for row in range(rows):
        for column in range(columns):
            if (
                light[0, row, column] >= coarse.most[0]
                and light[1, row, column] >= coarse.most[1]
                and light[2, row, column] >= coarse.most[2]
            ):
                continue
            for c in range(3):
                error = _error(light[c, row, column], c, coarse)
                taken = max(light[c, row, column] - base.dark[c], error)
                level = base.across[row, c] + base.along[c, column]
                above[c] = level - math.log10(taken)
                doubt[c] = (error / (_LN10 * taken)) ** 2
                before[c] = above[c]
            _moved(above, doubt, coarse)
            for c in range(3):
                if light[c, row, column] >= coarse.most[c] or above[c] == before[c]:
                    continue
                level = base.across[row, c] + base.along[c, column]
                light[c, row, column] = base.dark[c] + 10.0 ** (level - above[c])
