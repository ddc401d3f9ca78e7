"""Colour of the roll: one solve of slopes, balance and unmasking for all strips together."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.colour.belief import Belief, belief_of
from pipeline.colour.likeness import likeness
from pipeline.colour.neutral import given_neutrals, neutrals
from pipeline.colour.samples import Samples, gather
from pipeline.colour.trial import CONTRAST, LEAST_EXPOSURE, Trial, covariance
from pipeline.colour.unmask import RollColour, from_profile, scene_light
from pipeline.kinds import LOG_STOP, MIDDLE_GREY, Float64, Floats
from pipeline.profile import FilmProfile
from pipeline.survey import EdgePrint

_MOST_STOPS = 2.5
_STEP = 0.01


def solve_roll(
    frames: Sequence[Floats], profile: FilmProfile, printed: EdgePrint | None = None
) -> RollColour:
    """Return one rendition for the roll from the densities of its pictures and its edge print.

    `frames` has (n, 3) samples of density above base for each picture. The less the roll tells, the
    nearer the result stays to the profile.

    Notes
    -----
    The base is black, so curves start there together. Slopes, balance and unmasking are the mean
    of what is probable given what films, scanners and motifs can be (`belief_of`): between
    explanations that are about as probable the mean lies nearer to the truth than either, on
    average.
    """
    start = from_profile(profile)
    samples = gather(frames, profile)
    if profile.fixed or not len(samples.weight):
        return start
    belief = _told_by_both(samples, profile, printed)
    trial = Trial(profile, belief.mean)
    doubt = _doubt_log_e(belief.covariance, profile)
    before = _doubt_log_e(covariance(profile), profile)
    return replace(
        start,
        unmask=trial.unmask,
        curves=trial.curves,
        balance=trial.balance,
        how="roll",
        confidence=round(max(0.0, 1.0 - doubt / before), 3),
        doubt_log_e=round(doubt, 4),
        cast=round(belief.cast, 3),
    )


def _told_by_both(
    samples: Samples, profile: FilmProfile, printed: EdgePrint | None = None
) -> Belief:
    """Return what colours make probable and what rolls alike had, each by how sure it is.

    How far tones go and the matrix strays, colours tell by how strong they are, as subjects are
    too: that counts as no surer than it turned out to be, and the rest as told beside it. Both rest
    on the same pictures, know the same films and are told what is near neutral: their mean is told
    as no surer than the colours alone, and as less sure where the two disagree.
    """
    known, alike = neutrals(profile, printed), likeness(samples, profile)
    belief = belief_of(samples, profile, known)
    if alike is None:
        return belief
    numbers, spread = alike.numbers, alike.covariance
    if known:
        numbers, spread = given_neutrals(numbers, spread, known, profile)
    colours, rolls = np.linalg.inv(belief.covariance), np.linalg.inv(spread)
    strong = np.linalg.inv(belief.covariance[CONTRAST:, CONTRAST:])
    colours[CONTRAST:, CONTRAST:] -= (1.0 - alike.belief_off**-2) * strong
    both = np.linalg.inv(colours + rolls)
    mean = both @ (colours @ belief.mean + rolls @ numbers)
    off = mean - belief.mean
    return replace(belief, mean=mean, covariance=belief.covariance + np.outer(off, off))


def _doubt_log_e(spread: Float64, profile: FilmProfile) -> float:
    """Return how far red and blue of a middle grey may be off green: one standard deviation."""
    turns = np.zeros((2, len(spread)))
    for row, curve in enumerate((profile.curves[0], profile.curves[2])):
        density = curve.density(np.array(MIDDLE_GREY))
        steeper = float(curve.steeper(math.exp(_STEP)).exposure(density))
        turns[row, row], turns[row, 2 + row] = math.log10(steeper / MIDDLE_GREY) / _STEP, 1.0
    return math.sqrt(float(np.trace(turns @ spread @ turns.T)) / 2.0)


def with_exposure(colour: RollColour, frames: Sequence[Floats]) -> RollColour:
    """Return the colour with the roll's exposure set: its usual picture lies about middle grey.

    The middle of a picture is the mean of its log exposures between the darkest and lightest
    fifths; over the roll the median of the middles counts, so that night and snow don't. A roll
    is moved by 2.5 stops at most: films forgive that much, and a roll of nights stays dark.
    """
    middles = []
    for density in frames:
        if len(density) < 20:
            continue
        luminance = np.sort(scene_light(density, colour) @ np.array([0.272, 0.674, 0.054]))
        body = luminance[len(luminance) // 5 : len(luminance) - len(luminance) // 5]
        middles.append(float(np.log10(np.maximum(body, LEAST_EXPOSURE)).mean()))
    if not middles:
        return colour
    # Scenes reflect less than a grey card on average: about 13 % (common practice, no source).
    stops = math.log2(0.13) - float(np.median(middles)) / LOG_STOP
    held = min(max(stops, -_MOST_STOPS), _MOST_STOPS)
    return replace(colour, exposure=colour.exposure * 2.0**held)
