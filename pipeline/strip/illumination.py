"""Open gate, dark level and film base of a scan, told apart by their light."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.channels import channel_mean, greatest, less, log_above, median
from pipeline.kinds import Float32, Float64, Light, Mask, Triple, as_triple
from pipeline.strip.density import Illumination

Mode = tuple[Float64, float]

_BIN = 0.03
_MOST_BINS = 4_000_000
_MOST_LOOKED_AT = 4000
_LIGHT_FLOOR = 1e-5
_LEAST_SHARE = 0.004
_DARKEST_BASE = -2.2
_FULL_SCALE = 0.9985
_NEARLY_GATE = 0.06
_MOST_FADE = 0.25
_MOST_FADE_TINT = 0.08
_FADE_BETWEEN = 0.2
# Base and fog of black-and-white film, on clear or grey support (common practice, no source).
_GREY_BASE, _MOST_GREY_TINT = (0.05, 0.8), 0.12


@dataclass(frozen=True)
class Levels:
    """What a scan's proxy shows: illumination, the light of its film base, clipped or not.

    `grey` tells that a grey base was looked for, as black-and-white film has it.
    """

    illumination: Illumination
    base_light: Triple
    gate_clipped: bool
    grey: bool = False


def crowded_places(log_light: Float32) -> list[Mode]:
    """Return the crowded places of log10 light (n, 3), brightest first, with their share of n."""
    from pipeline.strip.kernel import bins_of, crowds, sort_by_cell

    points = np.ascontiguousarray(log_light, np.float32)
    bins, inside = np.empty(points.shape, np.int32), np.empty_like(points)
    lowest, highest = np.zeros(3, np.int64), np.zeros(3, np.int64)
    darkest, width = np.float32(_DARKEST_BASE), np.float32(_BIN)
    count = bins_of(points, darkest, width, bins, inside, lowest, highest)
    if not count:
        return []
    size = highest - lowest + 1
    keys = ((bins[:count, 0] - lowest[0]) * size[1] + bins[:count, 1] - lowest[1]) * size[2]
    keys += bins[:count, 2] - lowest[2]
    filled, cells, counts = _counted(keys, int(size.prod()))
    ends = np.cumsum(counts)
    starts = ends - counts
    ordered = np.empty((3, count), np.float32)
    sort_by_cell(inside, cells, starts.copy(), ordered)
    # A place gathers 27 bins, of which none after the last one looked at holds more.
    order = np.argsort(-counts, kind="stable")[:_MOST_LOOKED_AT]
    found = np.empty((len(order), 27), np.int64)
    least = _LEAST_SHARE * len(points) / 27
    many = crowds(filled, counts, size, order, len(points), _LEAST_SHARE, least, found)
    modes: list[Mode] = []
    for row in found[:many]:
        near = row[row >= 0]
        members = [ordered[:, starts[cell] : ends[cell]] for cell in near]
        level = median(np.concatenate(members, axis=1))
        modes.append((level, float(counts[near].sum() / len(points))))
    return sorted(modes, key=lambda mode: -float(mode[0].sum()))


def _counted(
    keys: NDArray[np.int64], bound: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return the keys there are in order, the place of each among them, and their counts."""
    # Light of floats may spread over far more bins than film does.
    if bound > _MOST_BINS:
        return np.unique(keys, return_inverse=True, return_counts=True)
    counts = np.bincount(keys, minlength=bound)
    filled = np.flatnonzero(counts)
    return filled, (np.cumsum(counts > 0) - 1)[keys], counts[filled]


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
    low, high = _GREY_BASE
    return low < float(density.mean()) < high and float(np.ptp(density)) < _MOST_GREY_TINT


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
    return as_triple(10.0 ** _lightest(modes) + dark)


def _lightest(modes: list[Mode]) -> Float64:
    """Return the brightest crowded place: the base, if the rest are pictures."""
    largest = max(share for _, share in modes)
    return next(level for level, share in modes if share > 0.15 * largest)


def _less_fall_off(bases: list[Mode], gate: Float64, log_light: Float32) -> list[Mode]:
    """Return the places that may be film under a clipped gate: not all but clipped themselves."""
    film = [mode for mode in bases if not fades_from_gate(mode[0], gate, log_light)]
    return [mode for mode in film if float((gate - mode[0]).mean()) > _NEARLY_GATE] or film


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
    border = np.concatenate(
        [
            light[:2].reshape(-1, 3),
            light[-2:].reshape(-1, 3),
            light[:, :2].reshape(-1, 3),
            light[:, -2:].reshape(-1, 3),
        ]
    )
    total = border.sum(axis=1)
    dim = border[total < 3 * 0.03]
    if len(dim) < 0.03 * len(border):
        return (0.0, 0.0, 0.0)
    level = np.median(dim[dim.sum(axis=1) <= np.percentile(dim.sum(axis=1), 50)], axis=0)
    return as_triple(level)


def find_levels(
    light: Light, clipped: Mask, unseen_dark: Triple | None = None, grey: bool = False
) -> Levels | None:
    """Return open gate, dark level and film base of a scan, or None where no base shows.

    Parameters
    ----------
    light
        Proxy (h, w, 3), linear light, 1.0 = full scale.
    clipped
        (h, w), true where the scan holds samples at full scale.
    unseen_dark
        The dark level where the scan shows nothing opaque, else zero.
    grey
        Look for the base of black-and-white film.

    Notes
    -----
    The base is the brightest film there is, and rebate and gaps make it a crowded, even
    colour. The open gate is brighter still; from it the base differs by the orange mask.
    """
    dark = dark_level(light)
    if unseen_dark is not None and not any(dark):
        dark = unseen_dark
    step = max(1, int(np.sqrt(light.shape[0] * light.shape[1] / 400_000)))
    flat = light[::step, ::step].reshape(-1, 3)
    flat_clipped = clipped[::step, ::step].reshape(-1)
    log_light = log_above(flat, dark, _LIGHT_FLOOR)
    modes = crowded_places(log_light)
    if not modes:
        return None
    brightest = modes[0][0]
    near = greatest(np.abs(less(log_light, brightest))) < 0.06
    # A file of fewer bits, spread over 16, stops short of the last code.
    full = float((10.0**brightest + np.asarray(dark)).max()) > _FULL_SCALE
    gate_clipped = full or bool(flat_clipped[near].mean() > 0.5)
    red_clipped = bool(brightest[0] > np.log10(0.985))
    # A clipped gate says nothing of the base's colour: a scanner may have evened it out.
    bases = [
        mode
        for mode in modes[1:]
        if gate_clipped or is_base(brightest - mode[0], grey=grey, red_clipped=red_clipped)
    ]
    if gate_clipped:
        bases = _less_fall_off(bases, brightest, log_light)
    if _looks_like_base(brightest):
        bases = [mode for mode in bases if mode[1] > 0.5 * modes[0][1]]
    if bases:
        base = _lightest(bases)
        gate = None if gate_clipped else 10.0**brightest + np.asarray(dark)
    else:
        base, gate, gate_clipped = brightest, None, False
    base_light = 10.0**base + np.asarray(dark)
    return Levels(
        illumination=Illumination(dark, None if gate is None else as_triple(gate)),
        base_light=as_triple(base_light),
        gate_clipped=gate_clipped,
        grey=grey,
    )
