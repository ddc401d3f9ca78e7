"""Open gate, dark level and film base of a scan, told apart by their light."""

from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import channel_mean, less, log_above
from pipeline.kinds import Float32, Float64, Floats, Light, Mask, Triple, as_triple
from pipeline.strip.area import Areas, Group, even_areas
from pipeline.strip.base_light import LEAST_GATE_PX, LIGHTEST, Seen, film_base, is_base, is_denser
from pipeline.strip.crowd import DARKEST_BASE, crowded_places, lightest
from pipeline.strip.density import Illumination, least_orange
from pipeline.strip.group import brightest_group, trimmed
from pipeline.strip.lamp import Lamp, lamp_through

_LIGHT_FLOOR = 1e-5
_FULL_SCALE = 0.9985
_MOST_PIXELS = 1_200_000
# Noise is smoothed over so many pixels before the darkest of a scan are looked for.
_SMOOTH_PX, _DARKEST_PERCENT, _HARDLY_DARKER = 5, 0.5, 0.8
# The most light that a lens's veil spreads over what is opaque (common practice, no source).
_MOST_VEIL = 0.01
_MOST_FADE = 0.25
_MOST_FADE_TINT = 0.08
_FADE_BETWEEN = 0.2


@dataclass(frozen=True)
class Levels:
    """What a scan's proxy shows: illumination, the light of its film base, clipped or not.

    `illumination` and `base_light` are those where the lamp is nought, None where it is even;
    `grey` tells that a base of any tint was looked for. `given_spread` is the deviation of density
    over a base that another scan showed, None where this one does. `clipped_light` is a clipped
    gate's, as not all of its channels need be at full scale.
    """

    illumination: Illumination
    base_light: Triple
    gate_clipped: bool
    grey: bool = False
    lamp: Lamp = field(default_factory=Lamp)
    given_spread: Triple | None = None
    clipped_light: Triple = (1.0, 1.0, 1.0)

    @property
    def brightest(self) -> Triple | None:
        """Return the open gate's light, at the least so bright where it clips; None without."""
        if self.illumination.gate is None and self.gate_clipped:
            return self.clipped_light
        return self.illumination.gate

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
    elif levels.gate_clipped:
        # The gate is brighter than it seems, so that film is denser than that.
        clipped = np.log10(np.asarray(levels.clipped_light) - dark)
        modes = [mode for mode in modes if not is_denser(clipped - mode[0])]
    if not modes:
        return None
    return as_triple(10.0 ** lightest(modes, LIGHTEST) + dark)


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
    does none of these for long. Where the scan shows anything darker in some channel, what lies
    at its border is lit, as a table beside a light is, and tells nothing. What is as orange as
    film is a dense picture that runs on beyond the border, unless it is as faint as a lens's veil.
    """
    rim = border(light, 2)
    total = rim.sum(axis=1)
    dim = rim[total < 3 * 0.03]
    if len(dim) < 0.03 * len(rim):
        return (0.0, 0.0, 0.0)
    level = np.median(dim[dim.sum(axis=1) <= np.percentile(dim.sum(axis=1), 50)], axis=0)
    smooth = np.asarray(cv2.blur(light, (_SMOOTH_PX, _SMOOTH_PX)))[::_SMOOTH_PX, ::_SMOOTH_PX]
    darkest = np.percentile(smooth.reshape(-1, 3), _DARKEST_PERCENT, axis=0)
    if (darkest < _HARDLY_DARKER * level).any():
        return (0.0, 0.0, 0.0)
    red, _, blue = (float(value) for value in level)
    is_film = red > _MOST_VEIL and red > 10.0 ** least_orange() * blue
    return (0.0, 0.0, 0.0) if is_film else as_triple(level)


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
    brightest = brightest_group(areas, LEAST_GATE_PX)
    if not len(brightest) or areas.moments.light[brightest[0]].mean() < DARKEST_BASE:
        return None
    seen = Seen.of(log_light, areas, brightest, _clips(areas, brightest, clipped, dark))
    base = film_base(seen, grey)
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
        clipped_light=_light_at_end(areas, brightest, dark) if gate_clipped else (1.0, 1.0, 1.0),
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
    at_end = pixels.mean(_at_end(areas, dark).astype(float))
    marked_share, at_end_share = (
        float(np.average(each[brightest], weights=weights)) for each in (marked, at_end)
    )
    return marked_share > 0.5 or at_end_share > 0.1


def _at_end(areas: Areas, dark: Triple) -> Mask:
    """Return which pixels (n) of areas are at full scale in some channel."""
    # A file of fewer bits, spread over 16, stops short of the last code.
    full = np.log10(_FULL_SCALE - np.asarray(dark))
    return np.asarray((areas.pixels.log_light > full).any(axis=1))


def _light_at_end(areas: Areas, brightest: Group, dark: Triple) -> Triple:
    """Return the light of the brightest areas where they clip; full scale where it isn't seen."""
    at_end = _at_end(areas, dark)
    parts = [areas.pixels.of(area) for area in brightest]
    logs = np.concatenate([areas.pixels.log_light[part][at_end[part]] for part in parts])
    if not len(logs):
        return (1.0, 1.0, 1.0)
    return as_triple(10.0 ** np.median(logs, axis=0) + np.asarray(dark))
