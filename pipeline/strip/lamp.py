"""The lamp's light over a scan: a smooth map through what it alone makes uneven."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Float64, Floats, Light, Triple
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
_MOST_OVER = 30.0


@dataclass(frozen=True)
class Lamp:
    """How bright the lamp is over a scan (h, w), as log10 of its light at the gate; else even.

    `terms` (3 channels of 7) are factors of those of `map_terms`.
    """

    terms: tuple[tuple[float, ...], ...] = ((0.0,) * 7,) * 3
    shape: tuple[int, int] = (1, 1)

    @staticmethod
    def of_surface(terms: Float64, shape: tuple[int, int]) -> "Lamp":
        """Return the lamp over a scan (h, w) that a surface's terms (3, 5) make.

        They are of 1, x, x^2, y, y^2, x and y from -1 to 1 over the scan; its level is left out.
        """
        down, across = np.asarray(shape) / np.hypot(*shape)
        # x^2 and y^2 are half of the sum and of the difference of r^2 and x^2 - y^2.
        x, xx, y, yy = (terms[:, 1:] / (across, across**2, down, down**2)).T
        none = np.zeros(len(terms))
        rows = np.stack([none, x, y, (xx + yy) / 2, none, none, (xx - yy) / 2], axis=-1)
        return Lamp(tuple(tuple(map(float, row)) for row in rows), shape)

    def at(self, x: Floats, y: Floats) -> Float64:
        """Return log10 light (n, 3) at places (n) in pixels."""
        found: Float64 = map_terms(x, y, self.shape) @ np.asarray(self.terms).T
        return found

    def over(self) -> Light:
        """Return log10 light (h, w, 3) of every pixel."""
        rows, columns = self.shape
        half = np.hypot(rows, columns) / 2
        x, y = (
            np.vander((np.arange(count) - (count - 1) / 2) / half, 5, increasing=True)
            for count in (columns, rows)
        )
        plane = np.empty((rows, columns, 3), np.float32)
        for channel, terms in enumerate(self.terms):
            level, across, down, ring, square, cross, unlike = terms
            powers = np.zeros((5, 5))
            powers[0] = level, across, ring + unlike, 0.0, square
            powers[1:, 0] = down, ring - unlike, 0.0, square
            powers[1, 1], powers[2, 2] = cross, 2 * square
            plane[..., channel] = (y @ powers).astype(np.float32) @ x.T.astype(np.float32)
        return plane

    def evened(self, light: Light, dark: Triple) -> Light:
        """Return a scan's light (h, w, 3) as it would be under an even lamp."""
        if not np.any(np.asarray(self.terms)):
            return light
        from pipeline.strip.light_kernel import even_out

        even = self.over()
        rows = (light.shape[0], 3 * light.shape[1])
        dark_row = np.tile(np.asarray(dark, np.float32), light.shape[1])
        whole = np.ascontiguousarray(light, np.float32)
        even_out(whole.reshape(rows), dark_row, _MOST_OVER, even.reshape(rows))
        return even


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
