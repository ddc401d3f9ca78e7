"""A grey card in a picture of densities: an even area in its middle, or where the user says."""

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.chart import middle_mean
from pipeline.kinds import Area, Float64, Picture

# Sides of the area about the middle, as shares of the picture, largest first: the card may fill
# the picture or be held before the subject.
_SIDES = (0.6, 0.4, 0.25, 0.15, 0.08)
# Differences inside a card, in density: light falls off over it by a quarter of a stop or so.
_EVEN = 0.05
_LEAST_DENSITY = 0.08
_BLOCKS = 6


@dataclass(frozen=True)
class GreyReading:
    """A grey card as read.

    `density` (3,) is above base, `spread` (3,) the standard deviation from place to place in
    it, grain left out; `area` is left, top, right and bottom as shares of the picture.
    """

    density: Float64
    spread: Float64
    area: Area

    @property
    def is_even(self) -> bool:
        """Tell whether it may be a card: exposed, and even."""
        return self.is_even_area and bool((self.density > _LEAST_DENSITY).all())

    @property
    def is_even_area(self) -> bool:
        """Tell whether it is even, exposed or not."""
        return bool((self.spread < _EVEN).all())


def read_grey(density_above: Picture, area: Area | None = None) -> GreyReading:
    """Return the density of an area of a picture of density above base (h, w, 3).

    Without an area it is the largest even one about the picture's middle, and the smallest that
    is tried where none is even.
    """
    if area is not None:
        return _read(density_above, area)
    for side in _SIDES:
        low, high = (1.0 - side) / 2.0, (1.0 + side) / 2.0
        reading = _read(density_above, (low, low, high, high))
        if reading.is_even:
            break
    return reading


def find_grey_card(density_above: Picture) -> GreyReading | None:
    """Return the grey card in the middle of a picture (h, w, 3), or None if it is not even there.

    That it is grey is for the user to say.
    """
    reading = read_grey(density_above)
    return reading if reading.is_even else None


def _read(picture: Picture, area: Area) -> GreyReading:
    rows, columns = picture.shape[:2]
    left, right = (round(area[index] * columns) for index in (0, 2))
    top, bottom = (round(area[index] * rows) for index in (1, 3))
    left, top = min(left, columns - 1), min(top, rows - 1)
    part = picture[top : max(bottom, top + 1), left : max(right, left + 1)]
    blocks = cv2.resize(
        np.ascontiguousarray(part, np.float32), (_BLOCKS, _BLOCKS), interpolation=cv2.INTER_AREA
    )
    density = middle_mean(part.reshape(-1, 3).astype(float))
    return GreyReading(density, blocks.reshape(-1, 3).std(axis=0).astype(float), area)
