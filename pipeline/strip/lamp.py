"""The lamp's light over a scan: where nothing lies in its way, and a smooth map through that.

An open gate is even but for the lamp, whose light falls off smoothly, and nothing in a scan is
brighter than the gate would be at the same place.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import channel_mean, greatest
from pipeline.kinds import SIGMA_OF_MAD, Float64, Floats, Light, Triple

# What an even area may vary by over a few pixels, besides noise, in log10 light.
_EVEN = 0.02
_EVEN_OF_NOISE = 4.0
_REACH_PX = 2
_LEAST_AREA_PX = 8
_MOST_AREAS = 400
_MOST_PIXELS = 2000
# A lamp or a lens falls off by two stops at the most from the middle to the corners, twice as
# steeply at the corners as on the way, and alike in all channels (common practice, no source).
_MOST_SLOPE = 1.2
_MOST_TINT = 0.05
_OFF_MAP = 0.02
_MOST_OFF = 0.12
_ROUNDS = 12
# A lens falls off about its axis, a lamp along its length; anything else is small.
_RIDGE = (0.0, 1e-4, 1e-4, 5e-5, 5e-4, 3e-3, 3e-3)
_STIFF = 6.0
_TRIMS = 5
_LEAST_TRIM = 0.006


@dataclass(frozen=True)
class Lamp:
    """How bright the lamp is over a scan (h, w), as log10 of its light at the gate; else even.

    `terms` (3 channels of 1, x, y, r^2, r^4, xy, x^2 - y^2, where r^2 = x^2 + y^2), x and y from
    the scan's middle in halves of its diagonal.
    """

    terms: tuple[tuple[float, ...], ...] = ((0.0,) * 7,) * 3
    shape: tuple[int, int] = (1, 1)

    def at(self, x: Floats, y: Floats) -> Float64:
        """Return log10 light (n, 3) at places (n) in pixels."""
        found: Float64 = _terms(x, y, self.shape) @ np.asarray(self.terms).T
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
        black = np.asarray(dark, np.float32)
        even: Light = (light - black) * np.power(np.float32(10.0), -self.over()) + black
        return even


def _terms(x: Floats, y: Floats, shape: tuple[int, int]) -> Float64:
    """Return the terms (n, 7) of a map at places (n) in pixels."""
    half = np.hypot(*shape) / 2
    across = (np.asarray(x, float) - (shape[1] - 1) / 2) / half
    down = (np.asarray(y, float) - (shape[0] - 1) / 2) / half
    ring, cross = across**2 + down**2, across**2 - down**2
    columns = (np.ones_like(across), across, down, ring, ring**2, across * down, cross)
    return np.stack(columns, axis=-1)


@dataclass(frozen=True)
class Area:
    """One even area: its size in pixels, and places x, y (n) and log10 light (n, 3) of some."""

    x: Float64
    y: Float64
    log_light: Float64
    size: int


Group = tuple[Area, ...]


def even_areas(log_light: Light) -> Group:
    """Return the even areas of a scan, brightest first.

    Parameters
    ----------
    log_light
        (h, w, 3), log10 light above dark.

    Notes
    -----
    Edges, halos and all that a lens or a file's compression lays along them vary within a few
    pixels, so that they are left out.
    """
    labels, stats = _labelled(log_light)
    large = np.flatnonzero(stats[:, cv2.CC_STAT_AREA] >= _LEAST_AREA_PX)
    large = large[large > 0]
    bright = channel_mean(log_light)
    sums = np.bincount(labels.ravel(), bright.ravel().astype(float), len(stats))
    means = sums[large] / stats[large, cv2.CC_STAT_AREA]
    found = []
    for label in large[np.argsort(-means, kind="stable")][:_MOST_AREAS]:
        left, top, width, height, size = stats[label]
        part = labels[top : top + height, left : left + width] == label
        rows, columns = np.nonzero(part)
        step = max(1, len(rows) // _MOST_PIXELS)
        rows, columns = rows[::step] + top, columns[::step] + left
        light = log_light[rows, columns].astype(float)
        found.append(Area(columns.astype(float), rows.astype(float), light, int(size)))
    return tuple(found)


def _labelled(log_light: Light) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return labels (h, w) of even areas, 0 for the rest, and their boxes and sizes."""
    mean: Light = np.asarray(cv2.blur(log_light, (3, 3), borderType=cv2.BORDER_REPLICATE))
    bright = channel_mean(mean)
    lit = bright > np.float32(np.percentile(bright[::3, ::3], 99.5) - 1.0)
    off = np.abs(channel_mean(log_light - mean))[lit]
    noise = SIGMA_OF_MAD * float(np.median(off)) if off.size else 0.0
    around = np.ones((2 * _REACH_PX + 1,) * 2, np.uint8)
    span = greatest(np.asarray(cv2.dilate(mean, around) - cv2.erode(mean, around), np.float32))
    even = (span < _EVEN + _EVEN_OF_NOISE * noise).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(even, connectivity=4)
    return np.asarray(labels, np.int32), np.asarray(stats, np.int32)


def _gathered(group: Group, shape: tuple[int, int]) -> tuple[Float64, Float64, Float64]:
    """Return terms (n, 7), log10 light (n, 3) and weights (n) of a group's pixels."""
    terms = np.concatenate([_terms(area.x, area.y, shape) for area in group])
    readings = np.concatenate([area.log_light for area in group])
    weight = np.concatenate([np.full(len(area.x), area.size / len(area.x)) for area in group])
    return terms, readings, weight


def lamp_through(groups: Sequence[Group], shape: tuple[int, int]) -> tuple[Lamp, list[Float64]]:
    """Return the lamp that all groups of areas show, and the log10 light (3) of each under it.

    Each group is one thing, as open gate and film base are, that the lamp alone makes uneven. The
    lamp is nought, on the mean, where the first group lies. One group alone tells less of what
    lies beside it, so that its lamp is kept nearer to an even one.
    """
    square, product, total = np.zeros((7, 7)), np.zeros((7, 3)), 0.0
    middles, levels = [], []
    for group in groups:
        terms, readings, weight = _gathered(group, shape)
        middle, level = (np.average(part, axis=0, weights=weight) for part in (terms, readings))
        away = (terms - middle) * weight[:, None]
        square += away.T @ (terms - middle)
        product += away.T @ (readings - level)
        total += weight.sum()
        middles.append(middle)
        levels.append(level)
    # A ridge keeps a small or one-sided gate from bending the lamp where nothing tells of it.
    square += np.diag([1.0, *_RIDGE[1:]]) * total * (_STIFF if len(groups) == 1 else 1.0)
    found = np.linalg.solve(square, product)
    found[0] = -middles[0] @ found
    lamp = Lamp(tuple(tuple(map(float, row)) for row in found.T), shape)
    return lamp, [level - middle @ found for middle, level in zip(middles, levels, strict=True)]


def explained(seed: Group, areas: Group, shape: tuple[int, int], known: Sequence[Group]) -> Group:
    """Return a group with all areas that differ from it by the lamp alone.

    Parameters
    ----------
    seed
        What is known of the group.
    areas
        Even areas of the scan, those of the group among them.
    shape
        Of the scan (h, w).
    known
        Other groups, which show the lamp as well.
    """
    group = seed
    rest = [area for area in areas if not _among(area, (seed, *known))]
    for _ in range(_ROUNDS):
        lamp, levels = lamp_through((group, *known), shape)
        joined = []
        for area in rest:
            off = (area.log_light - lamp.at(area.x, area.y)).mean(axis=0) - levels[0]
            if float(np.ptp(off)) > _MOST_TINT or float(np.abs(off).max()) > _MOST_OFF:
                continue
            if np.abs(off).max() < _OFF_MAP + _MOST_SLOPE * _apart(area, group, shape):
                joined.append(area)
        if not joined:
            break
        group = (*group, *joined)
        rest = [area for area in rest if not _among(area, (group,))]
    return group


def trimmed(group: Group, known: Group, shape: tuple[int, int]) -> Group:
    """Return those areas of a group that one light and a known group's lamp explain."""
    for _ in range(_TRIMS):
        lamp, (_, level) = lamp_through((known, group), shape)
        off = np.array(
            [(one.log_light - lamp.at(one.x, one.y)).mean(axis=0) - level for one in group]
        )
        away = np.abs(off - np.median(off, axis=0)).max(axis=1)
        limit = max(_LEAST_TRIM, 2.5 * float(np.median(away)))
        if away.max() <= limit:
            break
        group = tuple(area for area, far in zip(group, away, strict=True) if far <= limit)
    return group


def _among(area: Area, groups: Sequence[Group]) -> bool:
    return any(area is one for group in groups for one in group)


def _apart(one: Area, others: Group, shape: tuple[int, int]) -> float:
    """Return about how far an area is from the nearest of others, in halves of the diagonal."""
    near = slice(None, None, max(1, len(one.x) // 60))
    least = np.inf
    for other in others:
        far = slice(None, None, max(1, len(other.x) // 200))
        off = np.abs(one.x[near, None] - other.x[far]) + np.abs(one.y[near, None] - other.y[far])
        least = min(least, float(off.min()))
    return least / (float(np.hypot(*shape)) / 2)


def brightest_group(areas: Group, shape: tuple[int, int], least_px: int) -> Group:
    """Return the brightest areas that the lamp alone makes uneven; none where none are large.

    `least_px` are pixels of even area at the least; less is a reflection or a speck.
    """
    while areas:
        group = explained(areas[:1], areas, shape, ())
        if sum(area.size for area in group) >= least_px:
            return group
        areas = tuple(area for area in areas if not _among(area, (group,)))
    return ()
