"""What rolls whose pictures lie alike have turned out to be."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from pipeline.colour.samples import Samples
from pipeline.colour.trial import CURVE_NUMBERS, RATIOS, layer_logs, profile_trial, same_film
from pipeline.kinds import Float64
from pipeline.profile import FilmProfile, find_film, shipped

# Colours farther from their picture's middle (log10) are edges of its spread, not its width.
_FARTHEST_LOG_E = 0.4
_LEAST_SPREAD_LOG_E = 1e-3
_LEAST_DENSITY = 1e-3
# More pictures tell no more of a whole roll, and take memory: then every so many count.
_MOST_PICTURES = 360


@dataclass(frozen=True)
class Likeness:
    """The numbers of a trial (n,) that rolls like one had, and how far off they may be (n, n).

    `belief_off` is how many times as far as it told the belief from colours was off on such rolls
    in what colours tell by how strong they are: the slope of all layers, and strays.
    """

    numbers: Float64
    covariance: Float64
    belief_off: float


@dataclass(frozen=True)
class _Rolls:
    """Drawn rolls' statistics (m, s), each over `spread` (s,) about `middle`, and their law.

    Both are about the profile `about`. The numbers (n,) of a roll are `usual` and what each drawn
    roll adds (m, n) by its nearness; `near` (n, n) is the covariance of what rolls among the drawn
    ones are off, `far` what is added away from all; `nearness` (m, m) is the inverse of the
    nearness of the drawn rolls to each other.
    """

    about: FilmProfile
    middle: Float64
    spread: Float64
    places: Float64
    adds: Float64
    usual: Float64
    near: Float64
    far: Float64
    narrow: float
    nearness: Float64
    belief_off: float


def likeness(samples: Samples, profile: FilmProfile) -> Likeness | None:
    """Return what rolls like one had as numbers of a trial; None if none were drawn of its films.

    The profile may be that of a scanner: its unmasking is another then, and rolls are alike as seen
    under that which they were drawn about.

    Notes
    -----
    A law of single colours takes them for independent. How the middles of pictures spread, how
    colours lean with lightness and how far all of it goes together is in whole rolls: films and
    scanners drawn from what is usual, photographs exposed on them (tests.fitted.rolls). The
    regression is by Gaussian kernels about some of the rolls (Williams and Seeger, Using the
    Nystroem method to speed up kernel machines, 2001); far from all of them it tells little.
    """
    if not profile.drawn or not len(samples.weight):
        return None
    rolls = _rolls()
    if len(rolls.usual) != CURVE_NUMBERS + len(profile.unmask_strays):
        return None
    place = (statistics(samples, rolls.about) - rolls.middle) / rolls.spread
    near = nearness(place[None], rolls.places, rolls.narrow)[0]
    share = min(max(float(near @ rolls.nearness @ near), 0.0), 1.0)
    numbers = same_film(rolls.usual + near @ rolls.adds, rolls.about, profile)
    return Likeness(numbers, rolls.near + (1.0 - share) * rolls.far, rolls.belief_off)


def nearness(some: Float64, others: Float64, narrow: float) -> Float64:
    """Return how near statistics (m, s), in deviations, are to others (k, s): (m, k), 0 to 1."""
    apart = ((some[:, None] - others[None]) ** 2).mean(axis=2)
    return np.asarray(np.exp(-narrow * apart), float)


@cache
def _rolls() -> _Rolls:
    told = shipped("rolls.toml")
    places = np.array(told["rolls"]["places"], float)
    narrow = float(told["law"]["narrow"])
    own = nearness(places, places, narrow) + float(told["law"]["noise"]) * np.eye(len(places))
    return _Rolls(
        find_film(told["about"]),
        np.array(told["statistics"]["middle"]),
        np.array(told["statistics"]["spread"]),
        places,
        np.array(told["rolls"]["adds"]),
        np.array(told["law"]["usual"]),
        np.array(told["law"]["near"]),
        np.array(told["law"]["far"]),
        narrow,
        np.asarray(np.linalg.inv(own), float),
        float(told["law"]["belief_off"]),
    )


def statistics(samples: Samples, profile: FilmProfile) -> Float64:
    """Return (54,) statistics of a roll's pictures under the profile as it is.

    Of log10 exposure ratios (red over blue, green over both) in the darker and the lighter half of
    pictures: quartiles of the pictures' middles, spread about them, and the roll's spread. Then
    how light differs from dark, how ratios lean with lightness, how the pictures differ, how dense
    they are, and how many tell something.
    """
    step = -(-len(samples.weight) // _MOST_PICTURES)
    every = samples.densities[:, ::step]
    logs = layer_logs(every, profile_trial(profile))
    ratios, light = np.einsum("rc,cfn->rfn", RATIOS, logs), logs.mean(axis=0)
    half = ratios.shape[2] // 2
    darker, lighter = ratios[:, :, :half], ratios[:, :, half:]
    apart = np.median(lighter, axis=2) - np.median(darker, axis=2)
    lean = _lean(ratios, light)
    densities = every.reshape(3, -1)
    parts = [
        *_half(darker),
        *_half(lighter),
        np.median(apart, axis=1),
        apart.std(axis=1),
        np.median(lean, axis=1),
        lean.mean(axis=1),
        np.median(ratios, axis=2).std(axis=1),
        np.percentile(light, (50, 5, 95)),
        [np.log(samples.weight.sum() + _LEAST_DENSITY)],
        np.log(densities.std(axis=1) + _LEAST_DENSITY),
        np.log(np.maximum(np.percentile(densities, 95, axis=1), _LEAST_DENSITY)),
    ]
    return np.concatenate([np.asarray(part, float) for part in parts])


def _half(ratios: Float64) -> list[Float64]:
    """Return the statistics of one half of pictures (2, f, n)."""
    middles = np.median(ratios, axis=2)
    off = (ratios - middles[:, :, None]).reshape(2, -1)
    held = np.clip(off, -_FARTHEST_LOG_E, _FARTHEST_LOG_E)
    spread = np.cov(held) + _LEAST_SPREAD_LOG_E**2 * np.eye(2)
    return [
        np.percentile(middles, (25, 50, 75), axis=1).ravel(),
        np.log(np.median(np.abs(off), axis=1) + _LEAST_SPREAD_LOG_E),
        np.array([spread[0, 1] / np.sqrt(spread[0, 0] * spread[1, 1])]),
        np.log(np.diag(spread)),
        np.percentile(ratios.reshape(2, -1), (10, 50, 90), axis=1).ravel(),
    ]


def _lean(ratios: Float64, light: Float64) -> Float64:
    """Return how ratios (2, f, n) change with lightness (f, n) in each picture, (2, f)."""
    off = light - light.mean(axis=1, keepdims=True)
    together = ((ratios - ratios.mean(axis=2, keepdims=True)) * off).sum(axis=2)
    return np.asarray(together / np.maximum((off**2).sum(axis=1), _LEAST_SPREAD_LOG_E), float)
