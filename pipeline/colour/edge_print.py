"""What the edge print tells of a film's balance: the factory's light, whatever was photographed."""

import math
from dataclasses import dataclass

import numpy as np

from pipeline.colour.newton import Fit, climbed, normal_fit
from pipeline.colour.trial import RATIOS, Trial, layer_turns
from pipeline.kinds import Float64
from pipeline.profile import FilmProfile, shipped
from pipeline.survey import EdgePrint


@dataclass(frozen=True)
class _Law:
    """How the light of factories lies about neutral: Student's t in two dimensions (log10)."""

    middle: Float64
    spread: Float64
    freedom: float


def print_fit(printed: EdgePrint, profile: FilmProfile, numbers: Float64) -> Fit:
    """Return how an edge print goes with numbers (n,) of a trial of the profile.

    Notes
    -----
    The factory exposes all of a film by one light, which no subject, lamp or filter of the roll
    has changed, though in no white that is known (profiles/scenes.toml). What is open of the
    print's density is open of its light.
    """
    law = _law()
    density, error = (np.array(each, float) for each in (printed.density, printed.error))
    each = np.column_stack([density, density[:, None] + np.diag(error)])
    logs, turns = layer_turns(each, Trial(profile, numbers))
    off = RATIOS @ logs[:, 0] - law.middle
    turned = turns[:, :, 0] @ RATIOS.T
    measured = RATIOS @ (logs[:, 1:] - logs[:, :1])
    inverse = np.linalg.inv(np.diag(law.spread**2) + measured @ measured.T)
    far = float(off @ inverse @ off)
    cost = math.log1p(far / law.freedom) * (law.freedom + 2.0) / 2.0
    counts = (law.freedom + 2.0) / (law.freedom + far)
    return Fit(cost, counts * (turned @ inverse @ off), counts * (turned @ inverse @ turned.T))


def given_print(
    numbers: Float64, covariance: Float64, printed: EdgePrint, profile: FilmProfile
) -> tuple[Float64, Float64]:
    """Return the numbers (n,) and covariance (n, n) that they become beside an edge print."""
    inverse = np.asarray(np.linalg.inv(covariance), float)

    def fitted(state: Float64) -> Fit:
        return normal_fit(state - numbers, inverse) + print_fit(printed, profile, state)

    place, there = climbed(fitted, numbers)
    return place, np.asarray(np.linalg.inv(there.curved), float)


def _law() -> _Law:
    told = shipped("scenes.toml")["edge_print"]
    return _Law(
        np.array(told["middle_log_e"]), np.array(told["spread_log_e"]), float(told["freedom"])
    )
