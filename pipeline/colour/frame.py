"""What single frames change of the roll's colour: exposure, and balance where asked."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from pipeline.colour.unmask import RollColour, layer_exposure, scene_light
from pipeline.kinds import (
    HOLDS_PICTURE,
    LUMINANCE,
    Corners,
    Float64,
    Floats,
    Triple,
    as_matrix,
    as_triple,
)
from pipeline.profile import WORKING, colour_science, find_space, shipped
from pipeline.settings import FrameCorrection, Settings
from pipeline.survey import FrameSurvey, StripSurvey

# Density above base: thinner is nearly black and mostly grain, denser is past what scanners see.
_BLACK_DENSITY, _CLIPPED_DENSITY = 0.08, 3.0
_LEAST_SAMPLES = 20
_LEAST_SHARE = 0.1
# Middle tones and light tones of a picture, in percent of its samples.
_MIDDLE_PERCENT, _LIGHT_PERCENT = 50.0, 95.0
# Well-exposed pictures differ by about this much, in stops, in what they show (common practice,
# no source): a trim much smaller is left out, a greater one made.
_USUAL_SPREAD_STOPS = 0.3
_SOFT_LIMIT_STOPS = 2.5
# Side of the area that is to become neutral, as a share of the picture's longer side.
_NEUTRAL_REACH = 0.012
_BLACK_LAYER_DENSITY = 0.06
_LEAST_EXPOSURE = 1e-4
_MOST_GAIN = 10.0


@dataclass(frozen=True)
class Key:
    """How light a picture is: log2 of its middle and of its light tones, 0 = a perfect white.

    None of both tell where a picture has too little that is neither black nor clipped.
    """

    middle: float
    light: float


def picture_key(density: Floats, colour: RollColour) -> Key | None:
    """Return the key of a picture from (n, 3) samples of its density above base.

    Luminance is that of scene light (linear ACEScg); what is nearly black or clipped is left
    out. None if less than a tenth of the samples remain.
    """
    samples = np.asarray(density, float)
    densest = samples.max(axis=1) if len(samples) else np.zeros(0)
    usable = (densest > _BLACK_DENSITY) & (densest < _CLIPPED_DENSITY)
    if usable.sum() < max(_LEAST_SAMPLES, _LEAST_SHARE * len(samples)):
        return None
    luminance = scene_light(samples[usable], colour) @ LUMINANCE
    logs = np.log2(np.maximum(luminance, 1e-6))
    middle, light = np.percentile(logs, [_MIDDLE_PERCENT, _LIGHT_PERCENT])
    return Key(float(middle), float(light))


def usual_key(keys: Sequence[Key | None]) -> Key | None:
    """Return the roll's usual key, the median of its pictures; None if none has a key."""
    told = [key for key in keys if key is not None]
    if not told:
        return None
    middle, light = np.median([(key.middle, key.light) for key in told], axis=0).tolist()
    return Key(middle, light)


def trim_stops(key: Key | None, usual: Key | None) -> float:
    """Return the stops to lighten (above 0) or darken a picture by, about -2 to 2.

    A wrong exposure moves middle and light tones alike. A night scene has dark middles under
    lamps as bright as ever, snow has light middles under usual whites: so the smaller of both
    differences counts, and none where they disagree. Small differences are what scenes are like.
    """
    if key is None or usual is None:
        return 0.0
    middle, light = usual.middle - key.middle, usual.light - key.light
    if middle * light <= 0:
        return 0.0
    off = math.copysign(min(abs(middle), abs(light)), middle)
    shrunk = off * abs(off) / (abs(off) + _USUAL_SPREAD_STOPS)
    return _SOFT_LIMIT_STOPS * math.tanh(shrunk / _SOFT_LIMIT_STOPS)


@dataclass(frozen=True)
class FrameColour:
    """How one frame is rendered: the roll's colour, changed by what is told beside it.

    `exposure_stops` is the trim and what the user adds to it; `balance` (log10 exposure per
    layer), `colour_temperature_k`, `duv` and what tells its print from the roll's (`contrast`,
    `black`, `white`) are there only where the user asked for them.
    """

    colour: RollColour
    exposure_stops: float = 0.0
    balance: Triple | None = None
    colour_temperature_k: float | None = None
    duv: float | None = None
    contrast: float | None = None
    black: Triple | None = None
    white: Triple | None = None


class NeutralRefused(Exception):
    """A place that can't be made neutral; its text says why and what to do."""


def usual_exposure(
    found: Sequence[StripSurvey], colour: RollColour, settings: Settings
) -> Key | None:
    """Return what single pictures are brought towards; None if that is not wanted, or none tells.

    It is that of the frames as found, so that a correction of one leaves all others as they are.
    """
    if not settings.even_exposure:
        return None
    every = (frame for strip in found for frame in strip.frames)
    return usual_key(
        [picture_key(np.asarray(f.samples), colour) for f in every if f.kind in HOLDS_PICTURE]
    )


def trim_of(frame: FrameSurvey, colour: RollColour, usual: Key | None) -> float:
    """Return the stops that bring a frame towards the roll's usual exposure."""
    if usual is None or frame.kind not in HOLDS_PICTURE:
        return 0.0
    return round(trim_stops(picture_key(np.asarray(frame.samples), colour), usual), 2)


def frame_colours(
    strips: Sequence[StripSurvey],
    colour: RollColour,
    exposure_stops: float,
    usual: Key | None,
    corrections: Sequence[FrameCorrection],
    written: Sequence[Sequence[Corners]],
) -> tuple[tuple[tuple[FrameColour, ...], ...], tuple[str, ...]]:
    """Return the colour of each frame of each strip, and what could not be obeyed.

    `exposure_stops` is what the user adds to the roll's `colour`; `usual` is the exposure that
    frames are brought towards. `written` are the outlines of what is written of the frames, a
    row for each strip.
    """
    wishes = {entry.key: entry for entry in corrections if entry.colours}
    asked = brightened(colour, exposure_stops)
    rows, troubles = [], []
    for strip, areas in zip(strips, written, strict=True):
        row = []
        for frame, area in zip(strip.frames, areas, strict=True):
            stops = trim_of(frame, colour, usual)
            wish = wishes.get(frame.key or "")
            try:
                row.append(_frame_colour(asked, stops, wish, frame, area))
            except NeutralRefused as refused:
                troubles.append(f"{wish.name if wish else 'a frame'}: {refused}")
                row.append(_trimmed(asked, stops + (wish.exposure if wish else 0.0)))
        rows.append(tuple(row))
    return tuple(rows), tuple(troubles)


def brightened(colour: RollColour, stops: float) -> RollColour:
    """Return a colour with so many stops added to its exposure."""
    return replace(colour, exposure=colour.exposure * 2.0**stops)


def _trimmed(colour: RollColour, stops: float) -> FrameColour:
    return FrameColour(brightened(colour, stops), stops or 0.0)


def _frame_colour(
    colour: RollColour,
    stops: float,
    wish: FrameCorrection | None,
    frame: FrameSurvey,
    written: Corners,
) -> FrameColour:
    if wish is None:
        return _trimmed(colour, stops)
    own = replace(
        _trimmed(colour, stops + wish.exposure),
        contrast=wish.contrast,
        black=wish.black,
        white=wish.white,
    )
    balance = wish.balance
    if wish.neutral is not None:
        place = _place_in_frame(wish.neutral, frame.outline, written)
        balance = neutral_balance(np.asarray(frame.thumbnail), place, colour)
    if balance is not None:
        whole = as_triple(np.add(colour.balance, balance))
        own = replace(own, colour=replace(own.colour, balance=whole), balance=balance)
    if wish.colour_temperature_k is not None or wish.duv is not None:
        matrix = scene_light_matrix(wish.colour_temperature_k, wish.duv) @ np.asarray(colour.scene)
        own = replace(
            own,
            colour=replace(own.colour, scene=as_matrix(matrix)),
            colour_temperature_k=wish.colour_temperature_k,
            duv=wish.duv,
        )
    return own


def _place_in_frame(
    place: tuple[float, float], outline: Corners, area: Corners
) -> tuple[float, float]:
    """Return a place in the picture as written as shares of the frame that was found."""
    written, found = np.asarray(area, float), np.asarray(outline, float)
    point = written[0] + place[0] * (written[1] - written[0]) + place[1] * (written[3] - written[0])
    axes = np.array([found[1] - found[0], found[3] - found[0]]).T
    across, down = np.linalg.solve(axes, point - found[0])
    if not (-0.001 <= across <= 1.001 and -0.001 <= down <= 1.001):
        raise NeutralRefused("its neutral place lies in the border; name one inside the picture")
    return float(across), float(down)


def neutral_balance(densities: Floats, place: tuple[float, float], colour: RollColour) -> Triple:
    """Return the change of log10 exposure per layer that makes a place of a picture neutral.

    `densities` (h, w, 3) are above base, of a small picture or a large one; `place` is in shares of
    its width and height from its top left. A small area about it is read, by the median of each
    channel, so that grain and a stray hair don't tell. The place keeps the luminance that it has in
    `colour`.

    Raises NeutralRefused if the place is clipped, or as black as the film base.
    """
    rows, columns = densities.shape[:2]
    reach = max(1, round(_NEUTRAL_REACH * max(rows, columns)))
    row, column = (
        min(int(s * n), n - 1) for s, n in zip(place[::-1], (rows, columns), strict=True)
    )
    part = densities[
        max(0, row - reach) : row + reach + 1, max(0, column - reach) : column + reach + 1
    ]
    above = np.median(np.asarray(part, float).reshape(-1, 3), axis=0)
    if above.max() > _CLIPPED_DENSITY:
        raise NeutralRefused("its neutral place is clipped; name one less light")
    if (np.asarray(colour.unmask) @ above).min() < _BLACK_LAYER_DENSITY:
        raise NeutralRefused("its neutral place is as black as the film base; name a lighter one")
    exposure = np.maximum(layer_exposure(above, colour), _LEAST_EXPOSURE)
    scene = np.asarray(colour.scene)
    # The exposures of the layers that give a neutral of luminance 1.
    wanted = np.maximum(np.linalg.solve(scene, np.ones(3)), _LEAST_EXPOSURE)
    luminance = max(float(LUMINANCE @ scene @ exposure), _LEAST_EXPOSURE)
    return as_triple(np.log10(wanted * luminance / exposure))


@cache
def scene_light_matrix(colour_temperature_k: float | None, duv: float | None) -> Float64:
    """Return the 3x3 matrix on linear ACEScg that takes the light of a scene for its white.

    Without a colour temperature the light is the daylight that film is made for, which changes
    nothing. `duv` is the light's signed distance from the Planckian locus in the CIE 1960 (u, v)
    diagram: above 0 greenish, as of fluorescent lamps, below 0 towards magenta; None is 0.

    Notes
    -----
    Duv as ANSI/IES TM-30-20 takes it, reckoned after Ohno (2014), "Practical Use and Calculation
    of CCT and Duv", LEUKOS 10(1); adaptation by the linear Bradford transform (ICC.1:2022, annex
    E), through colour-science. No cone is raised more than tenfold. The light's luminance stays.
    """
    colour = colour_science()
    daylight = float(shipped("process.toml")["light"]["daylight_k"])
    lights = [
        colour.xy_to_XYZ(
            colour.UCS_uv_to_xy(
                colour.temperature.CCT_to_uv(np.array([kelvin, off]), method="Ohno 2013")
            )
        )
        for kelvin, off in ((colour_temperature_k or daylight, duv or 0.0), (daylight, 0.0))
    ]
    bradford = np.asarray(colour.adaptation.CAT_BRADFORD)
    of_light, of_daylight = (bradford @ light for light in lights)
    # Far on the green side of a warm light there is no light that the eye's blue sees.
    gains = of_daylight / np.maximum(of_light, of_daylight / _MOST_GAIN)
    to_xyz = np.array(find_space(WORKING).to_xyz)
    of_white = bradford @ to_xyz.sum(axis=1)
    # From the working space to cones under daylight, and back: only ratios of its white count.
    to_cones = np.diag(of_daylight / of_white) @ bradford @ to_xyz
    matrix: Float64 = np.linalg.solve(to_cones, np.diag(gains) @ to_cones)
    return matrix
