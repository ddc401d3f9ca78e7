"""The light of film base beside an open gate, among the even areas of a scan."""

from dataclasses import dataclass
from itertools import product

import cv2
import numpy as np

from pipeline.channels import least, less
from pipeline.kinds import Float32, Float64, Light, Mask
from pipeline.strip.area import Areas, Group
from pipeline.strip.crowd import DARKEST_BASE, Mode, crowded_places, lightest
from pipeline.strip.density import measure_limits
from pipeline.strip.lamp import Lamp, lamp_through

LEAST_GATE_PX = 30
"""Pixels of even area that an open gate has at the least."""
LIGHTEST = 0.15
"""Share of the largest crowd that is no mere speck."""
# Shadows of pictures are no even areas.
_LIGHTEST_EVEN = 0.03
_NEARLY_GATE = 0.06
_LIKE_GATE = 0.04
_ALIKE = 0.05
_MOST_READINGS, _MOST_EVEN = 400_000, 100_000
# What clear and milky foils take of light (density), and channels differ by (no source).
_FOIL, _FOIL_TINT = 0.3, 0.04
# Film of one base has no large area that is lighter.
_CLEARLY_LIGHTER = 0.06
_MOST_LIGHTER = 0.5


def is_orange(density: Float64, red_clipped: bool = False) -> bool:
    """Tell whether a density against the brightest light is that of a masked film base.

    The bounds are wide about the usual D-min of colour negative film (Status M, lowest to
    highest 0.14-0.29, 0.35-0.75, 0.73-1.00: sources.toml [d-min]), since scanners have other bands.
    """
    red, green, blue = (float(value) for value in density)
    lowest_red = -0.05 if red_clipped else 0.04
    rises = green - red > 0.04 and blue - green > -0.1 and blue - red > 0.3
    return lowest_red < red and rises and not is_denser(density)


def is_denser(density: Float64) -> bool:
    """Tell whether a density against the brightest light, or more, is beyond any film base's."""
    red, blue = measure_limits("film")["densest_base_red_blue"]
    return bool(density[0] >= red or density[2] >= blue)


def is_base(density: Float64, *, grey: bool = False, red_clipped: bool = False) -> bool:
    """Tell whether a density against the brightest light may be a film base of the kind."""
    if not grey:
        return is_orange(density, red_clipped)
    limits = measure_limits("film")
    low, high = limits["any_base"]
    even = float(np.ptp(density)) < limits["any_base_tint"] and float(density.min()) > 0.0
    return bool(even and low < float(density.mean()) < high)


def _looks_like_base(log_light: Float64) -> bool:
    """Tell whether the brightest light is orange itself: base without an open gate, most likely.

    A scanner's lamp can be warm too; then the true base is an even colour of much film.
    """
    red, green, blue = (float(value) for value in log_light)
    return red - blue > 0.35 and red - green > 0.12


@dataclass(frozen=True)
class Seen:
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
    def of(log_light: Light, areas: Areas, brightest: Group, clipped: bool) -> "Seen":
        """Return what even areas show."""
        from pipeline.strip.area_kernel import medians

        lamp, (level,) = lamp_through(areas, (brightest,))
        others = np.setdiff1d(np.arange(len(areas)), brightest)
        pixels = areas.pixels
        even = pixels.log_light - lamp.at(pixels.x, pixels.y)
        lights = np.empty((len(others), 3))
        medians(even, pixels.starts, others, lights)
        return Seen(
            log_light, areas, brightest, clipped, lamp, level, even, others, lights
        )  # fmt: skip

    def like(self, level: Float64) -> Group:
        """Return the other areas of a light (3)."""
        like: Group = self.others[np.abs(self.lights - level).max(axis=1) < _ALIKE]
        return like

    def lighter(self, level: Float64) -> Group:
        """Return the other areas clearly lighter than a light (3) that are no part of the gate.

        Nor are they the gate through the foil of a sleeve, which is as grey.
        """
        clearly = (self.lights - level).mean(axis=1) > _CLEARLY_LIGHTER
        off = self.lights - self.level
        gate = np.abs(off).max(axis=1) < _NEARLY_GATE
        foil = (off.mean(axis=1) > -_FOIL) & (np.ptp(off, axis=1) < _FOIL_TINT)
        lighter: Group = self.others[clearly & ~gate & ~foil]
        return lighter

    def inside(self, group: Group) -> int:
        """Return how many pixels of areas lie clear of the scan's border, where holders lie."""
        return int(self.areas.size[group][~self.areas.at_border[group]].sum())

    def is_holder(self, group: Group) -> bool:
        """Tell whether even areas are a holder's, which reaches the scan's border."""
        return 2 * self.inside(group) < int(self.areas.size[group].sum())


def film_base(seen: Seen, grey: bool) -> Float64 | None:
    """Return the log10 light (3) of the base beside an open gate, None where there is no gate.

    Even areas tell it best; where the base shows in none, all of the film does.
    """
    warm = _looks_like_base(seen.level) and not seen.clipped
    if warm and not seen.areas.at_border[seen.brightest].any():
        return None
    # A clipped gate says little of the base's colour, as a scanner may have evened it out: where
    # nothing is orange, any even colour may be the base.
    known = (True, False) if seen.clipped and not grey else (not seen.clipped,)
    reads = (_even_readings, _LIGHTEST_EVEN), (_film, LIGHTEST)
    for coloured, (read, least_of_largest) in product(known, reads):
        readings, px = read(seen)
        bases = _bases(seen, crowded_places(readings), grey, coloured)
        if warm:
            gate_px = int(seen.areas.size[seen.brightest].sum())
            bases = [mode for mode in bases if seen.inside(seen.like(mode[0])) > 0.5 * gate_px]
        if not bases:
            continue
        base = lightest(bases, least_of_largest)
        crowd = next(share for level, share in bases if level is base)
        lighter = seen.inside(seen.lighter(base))
        alike = max(seen.inside(seen.like(base)), crowd * px)
        if not coloured or lighter <= max(_MOST_LIGHTER * alike, LEAST_GATE_PX):
            return base
    return None


def _bases(seen: Seen, modes: list[Mode], grey: bool, coloured: bool) -> list[Mode]:
    """Return the crowded places of a scan's light that may be film base, by their colour or not."""
    level = seen.level
    if not coloured:
        darker = [mode for mode in modes if (level - mode[0]).mean() > _NEARLY_GATE]
        return [mode for mode in darker or modes if not is_denser(level - mode[0])]
    red_clipped = seen.clipped or bool(level[0] > np.log10(0.985))
    bases = [mode for mode in modes if is_base(level - mode[0], grey=grey, red_clipped=red_clipped)]
    return [mode for mode in bases if not seen.is_holder(seen.like(mode[0]))] if grey else bases


def _even_readings(seen: Seen) -> tuple[Float32, int]:
    """Return log10 light (n, 3) under an even lamp of the even areas, each by its size.

    With it comes how many pixels it stands for.
    """
    pixels, sizes = seen.areas.pixels, seen.areas.size[seen.others]
    step = max(1.0, int(sizes.sum()) / _MOST_EVEN)
    light = pixels.log_light if seen.clipped else seen.even
    starts, stops = pixels.starts[seen.others], pixels.starts[seen.others + 1]
    counts = np.maximum(1, np.rint(sizes / step)).astype(int)
    # From the first to the last of each area's pixels, as evenly as whole numbers are.
    apart = (stops - starts - 1) / np.maximum(counts - 1, 1)
    place = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    ends = place == np.repeat(counts, counts) - 1
    at = np.repeat(starts, counts) + (place * np.repeat(apart, counts)).astype(int)
    at[ends] = np.where(counts > 1, stops - 1, starts)
    readings: Float32 = light.take(at, axis=0).astype(np.float32)
    return readings, int(sizes.sum())


def _film(seen: Seen) -> tuple[Float32, int]:
    """Return log10 light (n, 3) under an even lamp of all that is no open gate.

    With it comes how many pixels it stands for.
    """
    off: Light = seen.log_light - seen.lamp.over()
    gate = (least(less(off, seen.level)) > -_LIKE_GATE).astype(np.uint8)
    film: Mask = np.asarray(cv2.dilate(gate, np.ones((7, 7), np.uint8))) == 0
    readings: Float32 = (seen.log_light if seen.clipped else off)[film]
    readings = readings[least(readings) > np.float32(DARKEST_BASE)]
    return readings[:: max(1, len(readings) // _MOST_READINGS)], len(readings)
