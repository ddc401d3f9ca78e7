"""The lamp's light over a scan: a smooth map through what it alone makes uneven."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Float32, Float64, Floats, Light, Triple
from pipeline.strip.area import Areas, Group, map_terms

MOST_SLOPE = 0.6
"""What light falls off by at the most, in log10, over half of a scan's diagonal.

Two stops from the middle to the corners, and twice as steeply at the corners as on the way (common
practice, no source).
"""
# A lens falls off about its axis, a lamp along its length; anything else is small.
_RIDGE = (0.0, 1e-4, 1e-4, 5e-5, 5e-4, 3e-3, 3e-3)
_STIFF = 6.0
# What channels differ by is smaller still.
_ALIKE = 30.0
# Shadows of pictures lie among what is taken for film base.
_LESS_SURE = 0.01
# A map may run on beyond all that was seen of it; light stays a number of 32 bits.
_MOST_OVER = np.float32(30.0)


@dataclass(frozen=True)
class Lamp:
    """How bright the lamp is over a scan (h, w), as log10 of its light at the gate; else even.

    `terms` (3 channels of 7) are factors of those of `map_terms`.
    """

    terms: tuple[tuple[float, ...], ...] = ((0.0,) * 7,) * 3
    shape: tuple[int, int] = (1, 1)

    def at(self, x: Floats, y: Floats) -> Float64:
        """Return log10 light (n, 3) at places (n) in pixels."""
        found: Float64 = map_terms(x, y, self.shape) @ np.asarray(self.terms).T
        return found

    def over(self) -> Light:
        """Return log10 light (h, w, 3) of every pixel."""
        powers, x = self._rows()
        plane = np.empty((*self.shape, 3), np.float32)
        across = np.vander(x, powers.shape[-1], increasing=True).T
        for channel, row in enumerate(powers):
            plane[..., channel] = row @ across
        return plane

    def evened(self, light: Light, dark: Triple) -> Light:
        """Return a scan's light (h, w, 3) as it would be under an even lamp."""
        from pipeline.strip.area_kernel import even_out

        if not np.any(np.asarray(self.terms)):
            return light
        powers, x = self._rows()
        even = np.empty(light.shape, np.float32)
        black = np.asarray(dark, np.float32)
        even_out(np.ascontiguousarray(light), powers, x, black, _MOST_OVER, even)
        return even

    def _rows(self) -> tuple[Float32, Float32]:
        """Return factors (3, h, 5) of the powers of x in each row, and x (w) of each column."""
        rows, columns = self.shape
        half = np.hypot(rows, columns) / 2
        x, y = ((np.arange(count) - (count - 1) / 2) / half for count in (columns, rows))
        powers = np.zeros((3, 5, 5))
        for channel, terms in enumerate(self.terms):
            level, across, down, ring, square, cross, unlike = terms
            powers[channel, 0] = level, across, ring + unlike, 0.0, square
            powers[channel, 1:, 0] = down, ring - unlike, 0.0, square
            powers[channel, 1, 1], powers[channel, 2, 2] = cross, 2 * square
        factors = np.vander(y, 5, increasing=True) @ powers
        return factors.astype(np.float32), x.astype(np.float32)


def lamp_through(areas: Areas, groups: Sequence[Group]) -> tuple[Lamp, list[Float64]]:
    """Return the lamp that all groups of areas show, and the log10 light (3) of each under it.

    Each group is one thing, as open gate and film base are, that the lamp alone makes uneven. The
    lamp is nought, on the mean, where the first group lies. One group alone tells less of what
    lies beside it, so that its lamp is kept nearer to an even one.
    """
    ridge = np.diag([1.0, *_RIDGE[1:]]) * (_STIFF if len(groups) == 1 else 1.0)
    # What is measured of all areas is as sure, however large they are; and a later group less.
    seen, product = np.zeros((7, 7)), np.zeros((7, 3))
    middles, levels = [], []
    for index, group in enumerate(groups):
        means, share = areas.gathered(group), _LESS_SURE if index else 1.0
        own = share * (means.squared - np.outer(means.terms, means.terms))
        off = share * (means.crossed - np.outer(means.terms, means.light))
        if not index:
            # Only the gate's own areas tell what channels differ by.
            apart = np.linalg.solve(own + _ALIKE * ridge, off - off.mean(axis=1, keepdims=True))
        seen, product = seen + own, product + off
        middles.append(means.terms)
        levels.append(means.light)
    # A ridge keeps a small or one-sided gate from bending the lamp where nothing tells of it.
    found = np.linalg.solve(seen + ridge, product.mean(axis=1, keepdims=True)) + apart
    found[0] = -middles[0] @ found
    lamp = Lamp(tuple(tuple(map(float, row)) for row in found.T), areas.shape)
    return lamp, [level - middle @ found for middle, level in zip(middles, levels, strict=True)]
