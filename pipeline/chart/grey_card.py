"""A grey card in a picture of densities: even, and without a pattern."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.chart.chart import middle_mean, reduced
from pipeline.kinds import Area, Float32, Float64, Picture

# Sides of the area about the middle, as shares of the picture, largest first: the card may fill
# the picture or be held before the subject. In less than a seventh of it lies one even stone.
_SIDES = (0.6, 0.4, 0.25, 0.15)
# Differences inside a card, in density: light falls off over it by a quarter of a stop or so.
_EVEN = 0.05
_LEAST_DENSITY = 0.08
_BLOCKS = 6
# Pattern that is none of a card, in density: stones, bricks and leaves of the film model have 0.06
# to 0.26 on all its films, cards in coarse grain 0.016 through JPEG, which takes grain's colours.
_PATTERN = 0.03
# The densest and thinnest of a card's pixels are left out, as dust may be.
_KEPT = 0.95
_LEAST_PIXELS = 48


@dataclass(frozen=True)
class GreyReading:
    """A grey card as read.

    `density` (3,) is above base, `spread` (3,) the standard deviation from place to place in
    it, grain left out; `pattern` and `grain` are those of what all channels have alike and of
    what each has for itself, light that falls off left out; `area` is left, top, right and bottom
    as shares of the picture.
    """

    density: Float64
    spread: Float64
    area: Area
    pattern: float
    grain: float

    @property
    def is_even(self) -> bool:
        """Tell whether it may be a card: exposed, and even."""
        return self.is_even_area and bool((self.density > _LEAST_DENSITY).all())

    @property
    def is_even_area(self) -> bool:
        """Tell whether it is even, exposed or not."""
        return bool((self.spread < _EVEN).all()) and not self.is_patterned

    @property
    def is_patterned(self) -> bool:
        """Tell whether it has a pattern, as stones, bricks and leaves do: more than its grain."""
        return self.pattern > max(_PATTERN, self.grain)


def read_grey(density_above: Picture, area: Area | None = None) -> GreyReading:
    """Return the density of an area of a picture of density above base (h, w, 3).

    Without an area it is the largest even one about the picture's middle, and the smallest that
    is tried where none is even. That it is grey is for the user to say: what a lamp makes of a card
    on one film is what daylight makes of a leaf on another.
    """
    small = reduced(density_above)
    if area is not None:
        return _read(small, area)
    for side in _SIDES:
        low, high = (1.0 - side) / 2.0, (1.0 + side) / 2.0
        reading = _read(small, (low, low, high, high))
        if reading.is_even:
            break
    return reading


def _read(picture: Float32, area: Area) -> GreyReading:
    rows, columns = picture.shape[:2]
    left, right = (round(area[index] * columns) for index in (0, 2))
    top, bottom = (round(area[index] * rows) for index in (1, 3))
    left, top = min(left, columns - 1), min(top, rows - 1)
    part = np.ascontiguousarray(picture[top : max(bottom, top + 1), left : max(right, left + 1)])
    blocks = cv2.resize(part, (_BLOCKS, _BLOCKS), interpolation=cv2.INTER_AREA)
    density = middle_mean(part.reshape(-1, 3).astype(float))
    spread = blocks.reshape(-1, 3).std(axis=0).astype(float)
    return GreyReading(density, spread, area, *_pattern_and_grain(part))


def _pattern_and_grain(part: Float32) -> tuple[float, float]:
    """Return standard deviations of what channels have alike, and of what each has for itself.

    What a scene shows lies in all layers at the same places; grain is another in each layer. A
    quadratic is taken off, as light falls off.
    """
    rows, columns = part.shape[:2]
    if rows * columns < _LEAST_PIXELS:
        return 0.0, 0.0
    y, x = (place.ravel() for place in np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j])
    light = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    pixels = part.reshape(-1, 3).astype(float)
    left = pixels - light @ np.linalg.lstsq(light, pixels, rcond=None)[0]
    tone = np.abs(left.mean(axis=1))
    variance = np.cov(left[tone <= np.quantile(tone, _KEPT)].T)
    alike = max((float(variance.sum()) - float(np.trace(variance))) / 6.0, 0.0)
    own = max(float(np.trace(variance)) / 3.0 - alike, 0.0)
    return math.sqrt(alike), math.sqrt(own)
