"""Exposure trim: each picture's exposure brought towards the roll's usual, by what it holds."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.colour import RollColour, scene_light
from pipeline.kinds import Floats
from pipeline.units import LUMINANCE

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
    return Key(
        float(np.median([key.middle for key in told])),
        float(np.median([key.light for key in told])),
    )


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
