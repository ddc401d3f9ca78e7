"""Open gate, dark level and film base of a scan, told apart by their light."""

from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import channel_mean, least, less, log_above, median
from pipeline.kinds import Float32, Float64, Floats, Light, Mask, Triple, as_triple
from pipeline.strip.area import Areas, Group, even_areas
from pipeline.strip.density import Illumination
from pipeline.strip.group import brightest_group, trimmed
from pipeline.strip.lamp import Lamp, lamp_through

Mode = tuple[Float64, float]

_BIN = 0.03
_LIGHT_FLOOR = 1e-5
_LEAST_SHARE = 0.004
_DARKEST_BASE = -2.2
_FULL_SCALE = 0.9985
_NEARLY_GATE = 0.06
_LIKE_GATE = 0.04
_ALIKE = 0.05
_LEAST_GATE_PX = 30
_MOST_PIXELS = 1_200_000
_MOST_READINGS, _MOST_EVEN = 400_000, 100_000
# Share of the largest crowd that is no mere speck; shadows of pictures are no even areas.
_LIGHTEST, _LIGHTEST_EVEN = 0.15, 0.03
_MOST_FADE = 0.25
_MOST_FADE_TINT = 0.08
_FADE_BETWEEN = 0.2
# Base and fog of black-and-white film, on clear or grey support, and of colour film with little of
# a mask or none: mean, and what channels differ by (common practice, no source).
_ANY_BASE, _MOST_ANY_TINT = (0.05, 0.8), 0.4
# Film of one base has no large area that is lighter.
_CLEARLY_LIGHTER = 0.06
_MOST_LIGHTER = 0.5


@dataclass(frozen=True)
class Levels:
    """What a scan's proxy shows: illumination, the light of its film base, clipped or not.

    `illumination` and `base_light` are those where the lamp is nought, None where it is even;
    `grey` tells that a base of any tint was looked for.
    """

    illumination: Illumination
    base_light: Triple
    gate_clipped: bool
    grey: bool = False
    lamp: Lamp = field(default_factory=Lamp)

    def evened(self, light: Light) -> Light:
        """Return the scan's light (h, w, 3) as it would be under an even lamp."""
        return self.lamp.evened(light, self.illumination.dark)

    def under(self, brighter: Floats) -> Illumination:
        """Return the illumination where the lamp is brighter by so much log10 light (3)."""
        dark, gate = np.asarray(self.illumination.dark), self.illumination.gate
        if gate is None:
            return self.illumination
        return Illumination(
            self.illumination.dark,
            as_triple((np.asarray(gate) - dark) * 10.0 ** np.asarray(brighter) + dark),
        )


def crowded_places(log_light: Float32) -> list[Mode]:
    """Return the crowded places of log10 light (n, 3), brightest first, with their share of n.

    A place is a bin with all its neighbours; the fullest bins come first, and a bin belongs to
    one place only.
    """
    points = log_light[least(log_light) > np.float32(_DARKEST_BASE)]
    if not len(points):
        return []
    bins = np.floor(np.ascontiguousarray(points.T) / np.float32(_BIN)).astype(np.int64)
    # An empty bin lies on either side of each row of bins, so that neighbours never wrap.
    bins -= bins.min(axis=1, keepdims=True) - 1
    _, greens, blues = bins.max(axis=1) + 2
    keys = (bins[0] * greens + bins[1]) * blues + bins[2]
    # Small numbers sort in a fifth of the time.
    order = np.argsort(keys.astype(np.min_scalar_type(int(keys.max()))))
    points, keys = points.take(order, axis=0), keys[order]
    bounds = np.flatnonzero(np.diff(keys, prepend=-1, append=-1))
    filled, counts = keys[bounds[:-1]], np.diff(bounds)
    fewest = _LEAST_SHARE * len(log_light)
    fullest = np.argsort(-counts, kind="stable")
    fullest = fullest[27 * counts[fullest] >= fewest]
    # Bins that differ in blue alone follow each other: nine runs of three are all neighbours.
    rows = np.add.outer([-greens, 0, greens], [-1, 0, 1]).ravel() * blues
    middles = filled[fullest, None] + rows
    starts = bounds[np.searchsorted(filled, middles - 1)]
    stops = bounds[np.searchsorted(filled, middles + 1, "right")]
    taken = np.zeros(len(keys), bool)
    modes: list[Mode] = []
    for at in np.flatnonzero((stops - starts).sum(axis=1) >= fewest):
        if taken[bounds[fullest[at]]]:
            continue
        near = [slice(*span) for span in zip(starts[at], stops[at], strict=True)]
        members = np.concatenate([points[run] for run in near])
        modes.append((median(members, 0), len(members) / len(log_light)))
        for run in near:
            taken[run] = True
    return sorted(modes, key=lambda mode: -float(mode[0].sum()))


def is_orange(density: Float64, red_clipped: bool = False) -> bool:
    """Tell whether a density against the brightest light is that of a masked film base.

    The bounds are wide about the published D-min of colour negative film (Status M, lowest to
    highest 0.14-0.29, 0.35-0.75, 0.73-1.00: sources.toml [d-min]), since scanners have other bands.
    """
    red, green, blue = (float(value) for value in density)
    lowest_red = -0.05 if red_clipped else 0.04
    rises = green - red > 0.08 and blue - green > 0.0 and blue - red > 0.3
    return lowest_red < red < 0.8 and blue < 2.0 and rises


def is_base(density: Float64, *, grey: bool = False, red_clipped: bool = False) -> bool:
    """Tell whether a density against the brightest light may be a film base of the kind."""
    if not grey:
        return is_orange(density, red_clipped)
    low, high = _ANY_BASE
    even = float(np.ptp(density)) < _MOST_ANY_TINT and float(density.min()) > 0.0
    return even and low < float(density.mean()) < high


def base_of(light: Light, levels: Levels) -> Triple | None:
    """Return the light of one film's base in its part of a scan, or None where none is crowded.

    Parameters
    ----------
    light
        Readings (n, 3) of one strip, linear light.
    levels
        Gate and dark level of the scan.
    """
    dark = np.asarray(levels.illumination.dark)
    logs = log_above(light, dark, _LIGHT_FLOOR)
    modes = crowded_places(logs)
    gate = levels.illumination.gate
    if gate is not None:
        open_gate = np.log10(np.asarray(gate) - dark)
        modes = [mode for mode in modes if is_base(open_gate - mode[0], grey=levels.grey)]
    if not modes:
        return None
    return as_triple(10.0 ** _lightest(modes, _LIGHTEST) + dark)


def _lightest(modes: list[Mode], least_of_largest: float) -> Float64:
    """Return the brightest crowded place: the base, if the rest are pictures."""
    largest = max(share for _, share in modes)
    return next(level for level, share in modes if share > least_of_largest * largest)


def fades_from_gate(level: Float64, gate: Float64, log_light: Float32) -> bool:
    """Tell whether a crowded place is gate in the lamp's fall-off rather than film.

    Film has an edge, so that little lies between its light and the gate's; fall-off has all
    that is between.
    """
    step = gate - level
    length = float(step.mean())
    if length <= 0.0 or np.ptp(step) > _MOST_FADE_TINT or length > _MOST_FADE:
        return False
    share = channel_mean(less(log_light, level)) / length
    counts, _ = np.histogram(share, bins=6, range=(-1 / 12, 11 / 12))
    return bool(counts[1:].min() > _FADE_BETWEEN * counts[0])


def _looks_like_base(log_light: Float64) -> bool:
    """Tell whether the brightest light is orange itself: base without an open gate, most likely.

    A scanner's lamp can be warm too; then the true base is an even colour of much film.
    """
    red, green, blue = (float(value) for value in log_light)
    return red - blue > 0.35 and red - green > 0.12


def border(picture: NDArray[Any], width: int) -> NDArray[Any]:
    """Return the pixels (n, ...) of a picture (h, w, ...) within a width of its border."""
    sides = (picture[:width], picture[-width:], picture[:, :width], picture[:, -width:])
    return np.concatenate([side.reshape(-1, *picture.shape[2:]) for side in sides])


def dark_level(light: Light) -> Triple:
    """Return the light behind something opaque at the border of the scan, else zero.

    Parameters
    ----------
    light
        Proxy (h, w, 3), linear light.

    Notes
    -----
    A holder is darker than any picture and flat, and it reaches the border; a dense picture
    does none of these for long.
    """
    rim = border(light, 2)
    total = rim.sum(axis=1)
    dim = rim[total < 3 * 0.03]
    if len(dim) < 0.03 * len(rim):
        return (0.0, 0.0, 0.0)
    level = np.median(dim[dim.sum(axis=1) <= np.percentile(dim.sum(axis=1), 50)], axis=0)
    return as_triple(level)


def find_levels(
    light: Light, clipped: Mask, unseen_dark: Triple | None = None, grey: bool = False
) -> Levels | None:
    """Return open gate, dark level, lamp and film base of a scan, or None where no base shows.

    Parameters
    ----------
    light
        Proxy (h, w, 3), linear light, 1.0 = full scale.
    clipped
        (h, w), true where the scan holds samples at full scale.
    unseen_dark
        The dark level where the scan shows nothing opaque, else zero.
    grey
        Look for a base of any tint, as black-and-white film and film of a weak mask have it.

    Notes
    -----
    Nothing is brighter than the open gate, which is even but for the lamp. The base is the
    brightest film there is, and rebate and gaps make it a crowded, even colour; it shows the same
    lamp, and differs from the gate by a density.
    """
    dark = dark_level(light)
    if unseen_dark is not None and not any(dark):
        dark = unseen_dark
    shape = (light.shape[0], light.shape[1])
    step = max(1, round(float(np.sqrt(light.shape[0] * light.shape[1] / _MOST_PIXELS))))
    if step > 1:
        light = _thinned(light, step)
        clipped = clipped[::step, ::step][: light.shape[0], : light.shape[1]]
    log_light = log_above(light, dark, _LIGHT_FLOOR)
    areas = even_areas(log_light)
    brightest = brightest_group(areas, _LEAST_GATE_PX)
    if not len(brightest) or areas.moments.light[brightest[0]].mean() < _DARKEST_BASE:
        return None
    seen = _Seen.of(log_light, areas, brightest, _clips(areas, brightest, clipped, dark))
    base = _film_base(seen, grey)
    alike = brightest[:0] if base is None else seen.like(base)
    if len(alike):
        alike = trimmed(areas, alike, brightest)
    lamp, levels = lamp_through(areas, [group for group in (brightest, alike) if len(group)])
    gate_clipped = seen.clipped and base is not None
    if gate_clipped:
        lamp = Lamp(shape=clipped.shape)
    elif base is None or len(alike):
        base = levels[-1]
    assert base is not None
    has_gate = base is not levels[0] and not gate_clipped
    gate = as_triple(10.0 ** levels[0] + np.asarray(dark)) if has_gate else None
    return Levels(
        illumination=Illumination(dark, gate),
        base_light=as_triple(10.0**base + np.asarray(dark)),
        gate_clipped=gate_clipped,
        grey=grey,
        lamp=replace(lamp, shape=shape),
    )


def _thinned(light: Light, step: int) -> Light:
    """Return a scan's light in means of so many pixels each way."""
    rows, columns = (side // step * step for side in light.shape[:2])
    size = (columns // step, rows // step)
    thinned = cv2.resize(light[:rows, :columns], size, interpolation=cv2.INTER_AREA)
    return np.asarray(thinned, np.float32)


def _clips(areas: Areas, brightest: Group, clipped: Mask, dark: Triple) -> bool:
    """Tell whether a good part of the brightest areas is at full scale."""
    pixels, weights = areas.pixels, areas.size[brightest]
    marked = pixels.mean(clipped[pixels.y.astype(int), pixels.x.astype(int)].astype(float))
    # A file of fewer bits, spread over 16, stops short of the last code.
    full = np.log10(_FULL_SCALE - np.asarray(dark))
    at_end = pixels.mean((pixels.log_light > full).any(axis=1).astype(float))
    marked_share, at_end_share = (
        float(np.average(each[brightest], weights=weights)) for each in (marked, at_end)
    )
    return marked_share > 0.5 or at_end_share > 0.1


@dataclass(frozen=True)
class _Seen:
    """What a scan shows: log10 light (h, w, 3), its even areas, and the brightest group of them.

    `lamp` and `level` are those of the brightest, `clipped` if they are at full scale; `even` is
    the log10 light (n, 3) under that lamp of the areas' pixels; `others` are the other areas, with
    the median (n, 3) of theirs.
    """

    log_light: Light
    areas: Areas
    brightest: Group
    clipped: bool
    lamp: Lamp
    level: Float64
    even: Float64
    others: Group
    lights: Float64

    @staticmethod
    def of(log_light: Light, areas: Areas, brightest: Group, clipped: bool) -> "_Seen":
        """Return what even areas show."""
        lamp, (level,) = lamp_through(areas, (brightest,))
        others = np.setdiff1d(np.arange(len(areas)), brightest)
        pixels = areas.pixels
        even = pixels.log_light - lamp.at(pixels.x, pixels.y)
        across = np.ascontiguousarray(even.T)
        lights = [median(across[:, pixels.of(area)]) for area in others]
        return _Seen(
            log_light, areas, brightest, clipped, lamp, level,
            even, others, np.reshape(lights, (-1, 3)),
        )  # fmt: skip

    def like(self, level: Float64) -> Group:
        """Return the other areas of a light (3)."""
        like: Group = self.others[np.abs(self.lights - level).max(axis=1) < _ALIKE]
        return like

    def lighter(self, level: Float64) -> Group:
        """Return the other areas that are clearly lighter than a light (3)."""
        lighter: Group = self.others[(self.lights - level).mean(axis=1) > _CLEARLY_LIGHTER]
        return lighter

    def inside(self, group: Group) -> int:
        """Return how many pixels of areas lie clear of the scan's border, where holders lie."""
        return int(self.areas.size[group][~self.areas.at_border[group]].sum())

    def is_holder(self, group: Group) -> bool:
        """Tell whether even areas are a holder's, which reaches the scan's border."""
        return 2 * self.inside(group) < int(self.areas.size[group].sum())


def _film_base(seen: _Seen, grey: bool) -> Float64 | None:
    """Return the log10 light (3) of the base beside an open gate, None where there is no gate.

    Even areas tell it best; where the base shows in none, all of the film does.
    """
    warm = _looks_like_base(seen.level) and not seen.clipped
    if warm and not seen.areas.at_border[seen.brightest].any():
        return None
    for read, lightest in (_even_readings, _LIGHTEST_EVEN), (_film, _LIGHTEST):
        bases = _bases(seen, crowded_places(read(seen)), grey)
        if warm:
            gate_px = int(seen.areas.size[seen.brightest].sum())
            bases = [mode for mode in bases if seen.inside(seen.like(mode[0])) > 0.5 * gate_px]
        if not bases:
            continue
        base = _lightest(bases, lightest)
        lighter, alike = seen.inside(seen.lighter(base)), seen.inside(seen.like(base))
        if seen.clipped or lighter <= max(_MOST_LIGHTER * alike, _LEAST_GATE_PX):
            return base
    return None


def _bases(seen: _Seen, modes: list[Mode], grey: bool) -> list[Mode]:
    """Return the crowded places of a scan's light that may be film base."""
    level = seen.level
    # A clipped gate says nothing of the base's colour: a scanner may have evened it out.
    if seen.clipped:
        return [mode for mode in modes if (level - mode[0]).mean() > _NEARLY_GATE] or modes
    red_clipped = bool(level[0] > np.log10(0.985))
    bases = [mode for mode in modes if is_base(level - mode[0], grey=grey, red_clipped=red_clipped)]
    return [mode for mode in bases if not seen.is_holder(seen.like(mode[0]))] if grey else bases


def _even_readings(seen: _Seen) -> Float32:
    """Return log10 light (n, 3) under an even lamp of the even areas, each by its size."""
    pixels, sizes = seen.areas.pixels, seen.areas.size[seen.others]
    step = max(1.0, int(sizes.sum()) / _MOST_EVEN)
    light = pixels.log_light if seen.clipped else seen.even
    parts = []
    for area, size in zip(seen.others, sizes, strict=True):
        part = light[pixels.of(area)]
        at = np.linspace(0, len(part) - 1, max(1, round(size / step))).astype(int)
        parts.append(part[at])
    return np.concatenate([np.zeros((0, 3)), *parts]).astype(np.float32)


def _film(seen: _Seen) -> Float32:
    """Return log10 light (n, 3) under an even lamp of all that is no open gate."""
    off: Light = seen.log_light - seen.lamp.over()
    gate = (least(less(off, seen.level)) > -_LIKE_GATE).astype(np.uint8)
    film: Mask = np.asarray(cv2.dilate(gate, np.ones((7, 7), np.uint8))) == 0
    readings: Float32 = (seen.log_light if seen.clipped else off)[film]
    readings = readings[least(readings) > np.float32(_DARKEST_BASE)]
    return readings[:: max(1, len(readings) // _MOST_READINGS)]
