"""Contrast of development: from a curve measured on the film, or guessed with an interval."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from pipeline.colour import RollColour, from_profile
from pipeline.density import measure_limits
from pipeline.film import FilmProfile
from pipeline.kinds import Float64, Floats, Triple, as_triple

_LEAST_SAMPLES = 20
_LEAST_EXPOSURE = 1e-3
# Contrasts that are tried, as shares of the profile's.
_TRIED = np.exp(np.linspace(math.log(0.25), math.log(2.5), 70))


class NeutralCurve(Protocol):
    """A film's curve as measured on a wedge, a bracketed card or a chart.

    Slopes are of scanner density above base against log10 exposure, per channel.
    """

    @property
    def contrast(self) -> Triple:
        """Return the slope of the straight part per channel."""

    @property
    def contrast_error(self) -> Triple:
        """Return the standard error of each slope."""

    @property
    def how(self) -> str:
        """Return what it was measured on: 'wedge', 'bracket' or 'chart'."""


@dataclass(frozen=True)
class ContrastEstimate:
    """Neutral contrast guessed: density above base per log10 exposure, per channel.

    `low` and `high` bound nine rolls in ten; `how` names what it is from: 'edge print',
    'pictures' or 'edge print and pictures'.
    """

    value: Triple
    low: Triple
    high: Triple
    how: str


def neutral_slope(colour: RollColour) -> Float64:
    """Return the slopes (3,) of scanner density on greys that a roll's colour stands for.

    On greys the three layers' densities rise by their own slopes, and what the scanner sees of
    them is the inverse of taking it apart. A silver image is taken apart into one layer, which
    all channels see alike.
    """
    unmask, gamma = np.asarray(colour.unmask, float), np.asarray(colour.gamma(), float)
    slopes: Float64 = (
        np.linalg.solve(unmask, gamma) if np.linalg.matrix_rank(unmask) == 3 else gamma
    )
    return slopes


def usual_print(profile: FilmProfile) -> tuple[float, float]:
    """Return between which densities, mean of the channels, edge print of a film usually lies.

    It is that of nine films in ten developed to the profile's contrast.
    """
    limits = measure_limits("contrast")
    slope = float(neutral_slope(from_profile(profile)).mean())
    middle = float(limits["print_over_slope"]) * slope
    reach = math.exp(float(limits["interval"]) * float(limits["print_spread"]))
    return middle / reach, middle * reach


def estimate_contrast(
    pictures: Sequence[Floats],
    printed: Triple | None,
    colour: RollColour,
    profile: FilmProfile,
) -> ContrastEstimate | None:
    """Return the contrast that edge print and pictures make probable, None where neither tells.

    Parameters
    ----------
    pictures
        For each picture (n, 3) samples of density above base.
    printed
        Density of the edge print above base, None where none was measured.
    colour
        The roll's colour, whose slopes tell how the channels differ; their level is the
        profile's.
    profile
        What is known of the film.

    Notes
    -----
    The print was exposed at the factory, so its density goes with the contrast of development.
    Pictures tell little: the spread of density in the middle one of a roll goes with contrast,
    and with what was photographed. Both give a logarithm with a known spread, and are weighed by
    its inverse square.
    """
    slopes = neutral_slope(colour)
    clues: list[tuple[str, float, float]] = []
    limits = measure_limits("contrast")
    if printed is not None and float(np.mean(printed)) > 0.0:
        expected = float(limits["print_over_slope"]) * float(slopes.mean())
        share = math.log(float(np.mean(printed)) / expected)
        clues.append(("edge print", share, float(limits["print_spread"])))
    seen = [
        np.percentile(_green(samples, profile), limits["picture_percentiles"])
        for samples in pictures
        if len(samples) >= _LEAST_SAMPLES
    ]
    if seen:
        spread = math.hypot(limits["roll_spread"], limits["picture_spread"] / math.sqrt(len(seen)))
        clues.append(("pictures", _picture_contrast(np.array(seen), profile), spread))
    if not clues:
        return None
    weights = np.array([1.0 / spread**2 for _, _, spread in clues])
    middle = float(weights @ [share for _, share, _ in clues] / weights.sum())
    reach = float(limits["interval"]) / math.sqrt(float(weights.sum()))
    value, low, high = (
        as_triple(slopes * math.exp(middle + step)) for step in (0.0, -reach, reach)
    )
    return ContrastEstimate(value, low, high, " and ".join(name for name, _, _ in clues))


def _green(samples: Floats, profile: FilmProfile) -> Float64:
    """Return densities of the green layer, whose noise is least."""
    green: Float64 = np.asarray(samples, float) @ np.asarray(profile.unmask, float)[1]
    return green[np.isfinite(green)]


def _picture_contrast(ends: Float64, profile: FilmProfile) -> float:
    """Return the logarithm of the contrast at which the middle picture's exposures spread usually.

    `ends` (n, 2) are densities of each picture that most of it lies between.
    Toe and shoulder are taken out by the profile's curve, so that thin pictures don't seem flat.
    """
    limits = measure_limits("contrast")
    curve = profile.curves[1]
    spreads = []
    for share in _TRIED:
        logs = np.log10(np.maximum(curve.exposure(ends / share), _LEAST_EXPOSURE))
        spreads.append(float(np.median(logs[:, 1] - logs[:, 0])))
    nearest = int(np.argmin(np.abs(np.array(spreads) - float(limits["picture_log_exposure"]))))
    return math.log(float(_TRIED[nearest]))
