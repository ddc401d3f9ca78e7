"""The lamp's light over a scan: where nothing lies in its way, and a smooth map through that.

An open gate is even but for the lamp, whose light falls off smoothly, and nothing in a scan is
brighter than the gate would be at the same place.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import channel_mean, greatest
from pipeline.kinds import SIGMA_OF_MAD, Float64, Floats, Light, Mask, Triple

# What an even area may vary by over a few pixels, besides noise, in log10 light.
_EVEN = 0.02
_EVEN_OF_NOISE = 4.0
_REACH_PX = 2
_LEAST_AREA_PX = 8
_MOST_AREAS = 400
_MOST_PIXELS = 600
# A lamp or a lens falls off by two stops at the most from the middle to the corners, twice as
# steeply at the corners as on the way, and alike in all channels (common practice, no source).
_MOST_SLOPE = 0.6
_MOST_TINT = 0.05
_OFF_MAP = 0.02
_MOST_OFF = 0.12
_ROUNDS = 60
_NEAREST = 5
_STRIDE = 1.5
# A lens falls off about its axis, a lamp along its length; anything else is small.
_RIDGE = (0.0, 1e-4, 1e-4, 5e-5, 5e-4, 3e-3, 3e-3)
_STIFF = 6.0
# What channels differ by is smaller still.
_ALIKE = 30.0
# Shadows of pictures lie among what is taken for film base.
_LESS_SURE = 0.01
_TRIMS = (0.04, 0.03, 0.02, 0.015, 0.01)
_LIGHTEST = 0.7
# A map may run on beyond all that was seen of it; light stays a number of 32 bits.
_MOST_OVER = np.float32(30.0)


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
        over = np.clip(self.over(), -_MOST_OVER, _MOST_OVER)
        even: Light = (light - black) * np.power(np.float32(10.0), -over) + black
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
class Moments:
    """Means over readings of a map's terms (7), log10 light (3), and products of both."""

    terms: Float64
    light: Float64
    squared: Float64
    crossed: Float64

    @staticmethod
    def of(terms: Float64, light: Float64) -> "Moments":
        """Return the means over terms (n, 7) and light (n, 3)."""
        count = len(terms)
        squared, crossed = terms.T @ terms / count, terms.T @ light / count
        return Moments(terms.mean(axis=0), light.mean(axis=0), squared, crossed)

    @staticmethod
    def over(parts: Sequence["Moments"], weights: Float64) -> "Moments":
        """Return the means over several parts (n) by weights (n)."""
        share = weights / weights.sum()
        rows = zip(*((p.terms, p.light, p.squared, p.crossed) for p in parts), strict=True)
        return Moments(*(np.tensordot(share, np.stack(row), 1) for row in rows))


@dataclass(frozen=True)
class Area:
    """One even area: its size in pixels, and places x, y (n) and log10 light (n, 3) of some.

    `rim` (m, 2) are places x, y along its outline, `rim_light` (m, 3) their log10 light;
    `at_border` tells that it reaches the scan's border; `moments` are those of its readings.
    """

    x: Float64
    y: Float64
    log_light: Float64
    size: int
    rim: Float64
    rim_light: Float64
    at_border: bool
    moments: Moments


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
        found.append(_area(log_light, part, (int(left), int(top)), int(size)))
    return tuple(found)


def _area(log_light: Light, part: Mask, start: tuple[int, int], size: int) -> Area:
    """Return the area that a mask shows from a place (x, y) of the scan on."""
    inner = cv2.erode(np.pad(part, 1).astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1]
    rim = np.argwhere(part & (inner == 0))[:, ::-1] + start
    rim = rim[:: max(1, len(rim) // _MOST_PIXELS)]
    rows, columns = np.nonzero(part)
    step = max(1, len(rows) // _MOST_PIXELS)
    rows, columns = rows[::step] + start[1], columns[::step] + start[0]
    x, y = columns.astype(float), rows.astype(float)
    ends = np.array(log_light.shape[1::-1]) - 1
    readings = log_light[rows, columns].astype(float)
    return Area(
        x=x,
        y=y,
        log_light=readings,
        size=size,
        rim=rim.astype(float),
        rim_light=log_light[rim[:, 1], rim[:, 0]].astype(float),
        at_border=bool((rim == 0).any() or (rim == ends).any()),
        moments=Moments.of(_terms(x, y, (log_light.shape[0], log_light.shape[1])), readings),
    )


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


def _gathered(group: Group) -> Moments:
    """Return the means over a group's pixels."""
    return Moments.over([one.moments for one in group], np.array([float(o.size) for o in group]))


def lamp_through(groups: Sequence[Group], shape: tuple[int, int]) -> tuple[Lamp, list[Float64]]:
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
        means, share = _gathered(group), _LESS_SURE if index else 1.0
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
    rest = [_Beside.of(area, shape) for area in areas if not _among(area, (seed, *known))]
    for _ in range(_ROUNDS):
        lamp, levels = lamp_through((group, *known), shape)
        even = _gathered(group).light
        joined = []
        for at, one in enumerate(rest):
            # What few areas at one end tell of the lamp may lead astray at the other.
            ways = (_off(one.area, lamp, levels[0]), one.area.moments.light - even)
            off = min(ways, key=lambda each: float(np.abs(each).max()))
            if float(np.ptp(off)) > _MOST_TINT or float(np.abs(off).max()) > _MOST_OFF:
                continue
            rest[at] = one.beside(group)
            if rest[at].step(lamp) < _OFF_MAP:
                joined.append(rest[at])
        if not joined:
            break
        # What lies nearest tells most of what lies beyond it.
        reach = _STRIDE * min(one.apart for one in joined)
        group = (*group, *(one.area for one in joined if one.apart <= reach))
        rest = [one for one in rest if not _among(one.area, (group,))]
    return group


def trimmed(group: Group, known: Group, shape: tuple[int, int]) -> Group:
    """Return those areas of film that one light and a known group's lamp explain.

    They are the lightest, as shadows of pictures are nearly as light as the base, but never more.
    """
    for limit in _TRIMS:
        lamp, (_, level) = lamp_through((known, group), shape)
        off = np.array([_off(one, lamp, level) for one in group])
        mean = off.mean(axis=1)
        order = np.argsort(mean)
        share = np.cumsum([group[index].size for index in order])
        light = off[order[int(np.searchsorted(share, _LIGHTEST * share[-1]))]]
        near = np.abs(off - light).max(axis=1) <= limit
        group = tuple(area for area, keep in zip(group, near, strict=True) if keep)
    return group


def _among(area: Area, groups: Sequence[Group]) -> bool:
    return any(area is one for group in groups for one in group)


def _off(area: Area, lamp: Lamp, level: Float64) -> Float64:
    """Return by how much an area's mean log10 light (3) is off a level under a lamp."""
    means = area.moments
    off: Float64 = means.light - np.asarray(lamp.terms) @ means.terms - level
    return off


@dataclass(frozen=True)
class _Beside:
    """An area beside a group, of which it has met so many, and what it shows of the nearest.

    `tree` is of its rim. Of up to `_NEAREST` others, `distance` (k) is that to their rim, in
    halves of the diagonal, `light` (k) the step of mean log10 light from there to here, and
    `terms` (k, 7) that of a map's terms.
    """

    area: Area
    shape: tuple[int, int]
    tree: Any
    met: int
    distance: Float64
    light: Float64
    terms: Float64

    @staticmethod
    def of(area: Area, shape: tuple[int, int]) -> "_Beside":
        """Return an area of a scan (h, w) that has met none yet."""
        none = np.zeros(0)
        return _Beside(area, shape, None, 0, none, none, np.zeros((0, 7)))

    def beside(self, group: Group) -> "_Beside":
        """Return it beside a group that has grown at its end."""
        from scipy.spatial import cKDTree

        new = group[self.met :]
        if not new:
            return self
        one, tree = self.area, self.tree or cKDTree(self.area.rim)
        places = np.concatenate([other.rim for other in new])
        distance, nearest = tree.query(places)
        starts = np.cumsum([0, *(len(other.rim) for other in new)])
        spans = pairwise(starts)
        closest = np.array([first + int(np.argmin(distance[first:end])) for first, end in spans])
        here, there = nearest[closest], closest - starts[:-1]
        lights = np.array([other.rim_light[at] for other, at in zip(new, there, strict=True)])
        ends = (one.rim[here], places[closest])
        to, fro = (_terms(at[:, 0], at[:, 1], self.shape) for at in ends)
        apart = distance[closest] / (np.hypot(*self.shape) / 2)
        light = (one.rim_light[here] - lights).mean(axis=1)
        apart, light, terms = (
            np.concatenate(pair)
            for pair in ((self.distance, apart), (self.light, light), (self.terms, to - fro))
        )
        order = np.argsort(apart, kind="stable")[:_NEAREST]
        return replace(
            self, tree=tree, met=len(group),
            distance=apart[order], light=light[order], terms=terms[order],
        )  # fmt: skip

    @property
    def apart(self) -> float:
        """Return the distance of the nearest, in halves of the diagonal."""
        return float(self.distance[0])

    def step(self, lamp: Lamp) -> float:
        """Return by how much it is off the nearest beyond what the way there allows.

        Off is mean log10 light, the lamp's taken out, in the median of the nearest areas.
        """
        off = self.light - self.terms @ np.asarray(lamp.terms).mean(axis=0)
        return float(np.median(np.abs(off) - _MOST_SLOPE * self.distance))


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
