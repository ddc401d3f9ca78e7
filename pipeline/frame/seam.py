"""Seams: where two pictures meet and no base shows between them."""

import cv2
import numpy as np

from pipeline.kinds import Plane, Row

# A step between columns is seen over so many on either side, from this density on.
_STEP_PX, _LEAST_DENSITY = 2, 0.04
# It is a row's steepest so far around.
_AROUND_MM = 2.0
TURNED_PX = 2
"""Gates are turned against the film by so many columns, from the middle to an end."""


def seams(density: Plane, noise: float, px_per_mm: float) -> Row:
    """Return the share of rows whose steepest step, up or down, lies at each column's left side.

    What pictures show changes from one to the next in all rows at once, here to denser, there to
    thinner; what a scene shows seldom changes along one line from top to bottom.

    Parameters
    ----------
    density
        (rows, columns) density above base, of rows that pictures cross.
    noise
        Standard deviation of the base's density.
    px_per_mm
        Scale.

    Returns
    -------
    array
        (columns + 1,): of steps at the left side of each column, and after the last.
    """
    count = density.shape[1]
    shares = np.zeros(count + 1)
    around = max(2 * TURNED_PX + 1, round(_AROUND_MM * px_per_mm))
    if count < 2 * around:
        return shares
    sums = np.pad(np.cumsum(density, axis=1, dtype=np.float64), ((0, 0), (1, 0)))
    middle = sums[:, _STEP_PX:-_STEP_PX]
    steps = np.abs(sums[:, 2 * _STEP_PX :] - 2.0 * middle + sums[:, : -2 * _STEP_PX])
    steps = (steps / _STEP_PX).astype(np.float32)
    steepest = cv2.dilate(steps, np.ones((1, 2 * around + 1), np.uint8))
    here = (steps >= steepest) & (steps > max(_LEAST_DENSITY, 3.0 * noise))
    turned = cv2.dilate(here.astype(np.uint8), np.ones((1, 2 * TURNED_PX + 1), np.uint8))
    shares[_STEP_PX:-_STEP_PX] = turned.mean(axis=0)
    return shares
