"""Which even areas of a scan are one thing, as open gate and film base are, under one lamp."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float64, Whole
from pipeline.strip.area import Areas, Group, map_terms
from pipeline.strip.lamp import MOST_SLOPE, Lamp, lamp_through

# A lamp is alike in all channels (common practice, no source).
_MOST_TINT = 0.05
_OFF_MAP = 0.02
_MOST_OFF = 0.12
_ROUNDS = 60
_NEAREST = 5
_STRIDE = 1.5
_TRIMS = (0.04, 0.03, 0.02, 0.015, 0.01)
_LIGHTEST = 0.7


def brightest_group(areas: Areas, least_px: int) -> Group:
    """Return the brightest areas that the lamp alone makes uneven; none where none are large.

    `least_px` are pixels of even area at the least; less is a reflection or a speck.
    """
    rest = np.arange(len(areas))
    while len(rest):
        group = explained(areas, rest)
        if areas.size[group].sum() >= least_px:
            return group
        rest = rest[~np.isin(rest, group)]
    return rest


def explained(areas: Areas, among: Group) -> Group:
    """Return the first of some areas with all others that differ from it by the lamp alone."""
    group, rest = among[:1], among[1:]
    beside = _Beside.of(areas)
    means = areas.moments
    for _ in range(_ROUNDS):
        lamp, (level,) = lamp_through(areas, (group,))
        even = areas.gathered(group).light
        # What few areas at one end tell of the lamp may lead astray at the other.
        mapped, plain = _off(areas, rest, lamp, level), means.light[rest] - even
        farther = np.abs(mapped).max(axis=1) > np.abs(plain).max(axis=1)
        off = np.where(farther[:, None], plain, mapped)
        near = rest[(np.ptp(off, axis=1) <= _MOST_TINT) & (np.abs(off).max(axis=1) <= _MOST_OFF)]
        beside.meet(near, group)
        joined = near[beside.steps(near, lamp) < _OFF_MAP]
        if not len(joined):
            break
        # What lies nearest tells most of what lies beyond it.
        apart = beside.apart[joined, 0]
        joined = joined[apart <= _STRIDE**2 * apart.min()]
        group, rest = np.concatenate([group, joined]), rest[~np.isin(rest, joined)]
    return group


def trimmed(areas: Areas, group: Group, known: Group) -> Group:
    """Return those areas of film that one light and a known group's lamp explain.

    They are the lightest, as shadows of pictures are nearly as light as the base, but never more.
    """
    for limit in _TRIMS:
        lamp, (_, level) = lamp_through(areas, (known, group))
        off = _off(areas, group, lamp, level)
        order = np.argsort(off.mean(axis=1))
        share = np.cumsum(areas.size[group][order])
        light = off[order[int(np.searchsorted(share, _LIGHTEST * share[-1]))]]
        group = group[np.abs(off - light).max(axis=1) <= limit]
    return group


def _off(areas: Areas, group: Group, lamp: Lamp, level: Float64) -> Float64:
    """Return by how much mean log10 light (n, 3) of areas is off a level under a lamp."""
    means = areas.moments
    off: Float64 = means.light[group] - means.terms[group] @ np.asarray(lamp.terms).T - level
    return off


@dataclass(frozen=True)
class _Beside:
    """Of every area the nearest that it has met of a growing group, up to `_NEAREST` of them.

    `met` (n) is how many of the group it has met; `apart` (n, k) how far their rims are apart, in
    squared pixels, infinite for none; `here` and `there` (n, k) the places of the rims, its own
    and theirs. All four grow as areas meet.
    """

    areas: Areas
    places: Float64
    terms: Float64
    light: Float64
    met: NDArray[np.intp]
    apart: Float64
    here: Whole
    there: Whole

    @staticmethod
    def of(areas: Areas) -> "_Beside":
        """Return areas that have met none yet."""
        rim, shape = areas.rim, (len(areas), _NEAREST)
        none, nowhere = np.full(shape, np.inf), np.zeros((2, *shape), np.int64)
        return _Beside(
            areas,
            np.stack([rim.x, rim.y], axis=-1),
            map_terms(rim.x, rim.y, areas.shape),
            rim.log_light.mean(axis=1),
            np.zeros(len(areas), np.intp),
            none,
            *nowhere,
        )

    def meet(self, those: Group, group: Group) -> None:
        """Let areas meet what the group has grown by, at its end."""
        from pipeline.strip.area_kernel import meet

        starts = self.areas.rim.starts.astype(np.int64)
        for one in those:
            new = group[self.met[one] :].astype(np.int64)
            if len(new):
                meet(
                    self.places, starts, self.areas.box, one, new,
                    self.apart[one], self.here[one], self.there[one],
                )  # fmt: skip
                self.met[one] = len(group)

    def steps(self, those: Group, lamp: Lamp) -> Float64:
        """Return by how much each (n) is off the nearest beyond what the way there allows.

        Off is mean log10 light, the lamp's taken out, in the median of the nearest areas.
        """
        even = self.light - self.terms @ np.asarray(lamp.terms).mean(axis=0)
        away = np.sqrt(self.apart[those]) / (np.hypot(*self.areas.shape) / 2)
        steps = np.abs(even[self.here[those]] - even[self.there[those]]) - MOST_SLOPE * away
        met = np.isfinite(away)
        # Those not met sort last, so that the median lies among the first.
        ordered = np.sort(np.where(met, steps, np.inf), axis=1)
        count = met.sum(axis=1)
        rows = np.arange(len(those))
        middle: Float64 = (ordered[rows, (count - 1) // 2] + ordered[rows, count // 2]) / 2
        return middle
