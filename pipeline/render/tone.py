"""Tone of the prints of a roll: one characteristic curve, its black and white by the pictures."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.kinds import LUMINANCE, MIDDLE_GREY, Float32, Floats

PRINT_WHITE = 1.06
# A print has more contrast than the scene, to look like it on paper (common practice, no source).
_CONTRAST = 1.45
_CONTRASTS = (1.2, 1.6)
# Where the roll's lightest tones are to come out, in display light: lower and they look grey,
# higher and nothing is left for what is lighter still. The blacks, likewise, below a hundredth.
_LIGHTEST_SHOWN = (0.72, 0.97)
_BLACKEST_SHOWN = 0.012
_MOST_BLACK = 0.03
_BLACK_STEPS = 61
MOST_LIGHT = 1e6
# Shares of a picture that are darker or lighter than its black and its white, in percent.
_BLACK_PERCENT, _WHITE_PERCENT = 1.0, 99.0
# Of the pictures' blacks and whites those count that a quarter of the pictures go beyond.
_BLACK_OF_ROLL, _WHITE_OF_ROLL = 25.0, 75.0
_LEAST_SAMPLES = 20


@dataclass(frozen=True)
class PrintTone:
    """The curve of a print: slope about the middle, and the scene light that is black.

    `contrast` is the exponent of the curve; `black`, relative to 1.0 = a perfect white, is taken
    off all channels alike, as veiling light is. Middle grey stays where it is.
    """

    contrast: float = _CONTRAST
    black: float = 0.0


def curve_constant(tone: PrintTone) -> float:
    """Return the constant k of a print's curve."""
    return float(MIDDLE_GREY**tone.contrast * (PRINT_WHITE / MIDDLE_GREY - 1.0))


def light_scale(tone: PrintTone) -> float:
    """Return by what light less black, twice, is multiplied so that middle grey stays."""
    if not tone.black:
        return 0.5
    return MIDDLE_GREY / float(_above_black(np.full(1, MIDDLE_GREY, np.float32), tone.black)[0])


def print_curve(light: Float32, tone: PrintTone | None = None) -> Float32:
    """Return display light for scene light of any shape, middle grey 0.18 staying where it is.

    It runs from 0 to a little above 1, the paper's white, and never falls.

    ``w x^n / (x^n + k)``: a line of slope n in log-log about the middle, running smoothly into
    paper white and black, as a print's characteristic curve does (Naka-Rushton form).
    """
    tone = tone or PrintTone()
    # Far above white the curve is flat; the ceiling keeps the power finite.
    if tone.black:
        held = _above_black(np.minimum(np.asarray(light, np.float32), MOST_LIGHT), tone.black)
        held *= light_scale(tone)
    else:
        held = np.clip(np.asarray(light, np.float32), 0.0, MOST_LIGHT)
    power: Float32 = np.asarray(cv2.pow(held, tone.contrast), np.float32).reshape(held.shape)
    below = power + np.float32(curve_constant(tone))
    power *= np.float32(PRINT_WHITE)
    power /= below
    return np.asarray(power, np.float32)


def _above_black(light: Float32, black: float) -> Float32:
    """Return twice the light less black, running smoothly into 0, so that no shadow is cut off."""
    less = light - np.float32(black)
    root = less * less
    root += np.float32((black / 2.0) ** 2)
    np.sqrt(root, out=root)
    root += less
    # The two cancel far below black; what is left of them there may be below 0.
    np.maximum(root, 0.0, out=root)
    return root


def roll_tone(pictures: Iterable[Floats]) -> PrintTone:
    """Return the tone for the prints of a roll by what its pictures hold.

    Parameters
    ----------
    pictures
        For each picture (n, 3) samples of scene light, linear ACEScg.

    Notes
    -----
    One pair of black and white for all pictures, so that no print differs from its neighbour. A
    thin or flat roll gets more contrast, a contrasty one less, only as far as its white would
    come out grey or without a tone left above it, and within limits; black is taken off only
    where even the darkest would be grey.
    """
    blacks, whites = [], []
    for light in pictures:
        if len(light) < _LEAST_SAMPLES:
            continue
        luminance = np.asarray(light, float) @ LUMINANCE
        black, white = np.percentile(luminance, [_BLACK_PERCENT, _WHITE_PERCENT])
        blacks.append(black)
        whites.append(white)
    if not blacks:
        return PrintTone()
    contrast = _contrast(float(np.percentile(whites, _WHITE_OF_ROLL)))
    return PrintTone(contrast, _black(float(np.percentile(blacks, _BLACK_OF_ROLL)), contrast))


def _contrast(white: float) -> float:
    """Return the exponent that keeps scene light `white` between grey and paper white."""
    low, high = _CONTRASTS
    if white <= MIDDLE_GREY:
        return high
    bounds = [_exponent(white, shown) for shown in _LIGHTEST_SHOWN]
    return float(np.clip(np.clip(_CONTRAST, bounds[0], bounds[1]), low, high))


def _exponent(light: float, shown: float) -> float:
    """Return the exponent with which scene light above grey comes out as `shown`."""
    ratio = shown / (PRINT_WHITE - shown) * (PRINT_WHITE / MIDDLE_GREY - 1.0)
    return math.log(ratio) / math.log(light / MIDDLE_GREY)


def _black(darkest: float, contrast: float) -> float:
    """Return the light to take off so that the darkest comes out black enough."""
    steps = np.linspace(0.0, _MOST_BLACK, _BLACK_STEPS)
    at = np.full(1, darkest, np.float32)
    shown = [float(print_curve(at, PrintTone(contrast, step))[0]) for step in steps.tolist()]
    enough = np.flatnonzero(np.array(shown) <= _BLACKEST_SHOWN)
    return float(steps[enough[0]] if len(enough) else _MOST_BLACK)
