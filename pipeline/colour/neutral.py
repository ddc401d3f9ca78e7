"""What tells a film's balance whatever was photographed: its edge print, and a card on it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.colour.newton import Fit, climbed, normal_fit, tailed_fit
from pipeline.colour.trial import RATIOS, Trial, layer_turns
from pipeline.kinds import Float64
from pipeline.profile import FilmProfile, shipped
from pipeline.survey import EdgePrint

# That of a normal law, nearly: nobody knows of tails where two rolls of a film are told apart.
_MANY = 100.0


@dataclass(frozen=True)
class Neutral:
    """Density above base (3,) of what was exposed by light near neutral, and its errors (3,).

    How its light lies about neutral is Student's t in two dimensions: `middle` and `spread` (2,),
    log10 exposure, red over blue and green over both.
    """

    density: Float64
    error: Float64
    middle: Float64
    spread: Float64
    freedom: float


def neutrals(profile: FilmProfile, printed: EdgePrint | None) -> tuple[Neutral, ...]:
    """Return what is known to be near neutral on a roll: the grey of its profile, and its print.

    Notes
    -----
    The factory exposes all of a film by one light, which no subject, lamp or filter of the roll
    has changed, though in no white that is known (profiles/scenes.toml). What is open of the
    print's density is open of its light. A grey card on another roll of the film was as dense as
    one on this roll is, but for what development and film differ by.
    """
    known = []
    if profile.grey is not None:
        density = np.array(profile.grey.density)
        # Red and blue are told against green, whose part they share.
        spread = np.full(2, profile.grey.spread_log_e / math.sqrt(2.0))
        known.append(Neutral(density, np.zeros(3), np.zeros(2), spread, _MANY))
    if printed is not None:
        told = shipped("scenes.toml")["edge_print"]
        middle, spread = np.array(told["middle_log_e"]), np.array(told["spread_log_e"])
        density, error = np.array(printed.density), np.array(printed.error)
        known.append(Neutral(density, error, middle, spread, float(told["freedom"])))
    return tuple(known)


def neutral_fit(known: Sequence[Neutral], profile: FilmProfile, numbers: Float64) -> Fit:
    """Return how what is near neutral goes with numbers (n,) of a trial of the profile."""
    fit = Fit(0.0, np.zeros(len(numbers)), np.zeros((len(numbers), len(numbers))))
    for one in known:
        fit += _fit(one, profile, numbers)
    return fit


def _fit(known: Neutral, profile: FilmProfile, numbers: Float64) -> Fit:
    each = np.column_stack([known.density, known.density[:, None] + np.diag(known.error)])
    logs, turns = layer_turns(each, Trial(profile, numbers))
    off = RATIOS @ logs[:, 0] - known.middle
    turned = turns[:, :, 0] @ RATIOS.T
    measured = RATIOS @ (logs[:, 1:] - logs[:, :1])
    scale = np.diag(known.spread**2) + measured @ measured.T
    return tailed_fit(off, turned, np.asarray(np.linalg.inv(scale), float), known.freedom)


def given_neutrals(
    numbers: Float64, covariance: Float64, known: Sequence[Neutral], profile: FilmProfile
) -> tuple[Float64, Float64]:
    """Return numbers (n,) and covariance (n, n) as they become beside what is near neutral."""
    inverse = np.asarray(np.linalg.inv(covariance), float)

    def fitted(state: Float64) -> Fit:
        return normal_fit(state - numbers, inverse) + neutral_fit(known, profile, state)

    place, there = climbed(fitted, numbers)
    return place, np.asarray(np.linalg.inv(there.curved), float)
