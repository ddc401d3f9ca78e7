"""What a roll's pictures make probable of its colour's numbers: films against motifs."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.colour.neutral import Neutral, neutral_fit
from pipeline.colour.newton import Fit, climbed, normal_fit, tailed_fit
from pipeline.colour.samples import Samples
from pipeline.colour.trial import RATIOS, Trial, covariance, layer_turns, paler
from pipeline.kinds import Float64
from pipeline.profile import FilmProfile, shipped


@dataclass(frozen=True)
class Belief:
    """The numbers of a trial: their mean (n,) and covariance (n, n).

    `cast` is the probability, 0 to 1, that the cast of one light or one motif lies over all
    pictures.
    """

    mean: Float64
    covariance: Float64
    cast: float


@dataclass(frozen=True)
class _Law:
    """How colours lie in pictures' places of like rank in lightness: Student's t in two dimensions.

    `share` is of what part of a picture; `colours` how many of its own a picture shows there;
    `inverse` that of the scale.
    """

    share: float
    colours: float
    freedom: float
    middle: Float64
    inverse: Float64


@dataclass(frozen=True)
class _Motif:
    """A kind of roll: its share of rolls, and about what shift all its pictures lie together.

    `middle` (2 k,) and `shift` (2 k, 2 k) are of the k laws, darkest first.
    """

    share: float
    middle: Float64
    shift: Float64


@dataclass(frozen=True)
class _Peak:
    """The most probable numbers if a roll is of one kind, and the log of that kind's evidence."""

    numbers: Float64
    covariance: Float64
    log_evidence: float


def belief_of(samples: Samples, profile: FilmProfile, known: Sequence[Neutral] = ()) -> Belief:
    """Return what pictures make probable beside what is near neutral, given what films can be.

    Notes
    -----
    Colours of pictures lie about neutral with heavy tails, and all pictures of a roll may share
    a shift: small on an ordinary roll, wide along the colours of lights where one light lies over
    all, towards green in a wood. The numbers have the profile's normal spread, whose tails are
    light: what lies outside of it is the motif's, or the film's if edge print or card have it too,
    over which no motif lies. All kinds of roll are solved and weighed by their
    evidence (Laplace's approximation: MacKay, Information Theory, Inference, and Learning
    Algorithms, chapter 27).
    """
    told = shipped("scenes.toml")
    laws = _laws(told["colours"])
    peaks = [_peak(samples, profile, known, laws, motif) for motif in _motifs(told, len(laws))]
    logs = np.array([peak.log_evidence for peak in peaks])
    share = np.exp(logs - logs.max())
    share /= share.sum()
    mean = share @ np.array([peak.numbers for peak in peaks])
    spread = np.zeros((len(mean), len(mean)))
    for part, peak in zip(share, peaks, strict=True):
        off = peak.numbers - mean
        spread += part * (peak.covariance + np.outer(off, off))
    return Belief(mean, spread, float(share[1:].sum()))


def _laws(told: dict[str, Any]) -> tuple[_Law, ...]:
    return tuple(
        _Law(
            float(one["share"]),
            float(one["colours"]),
            float(told["freedom"]),
            np.array(one["middle"]),
            np.asarray(np.linalg.inv(one["scale"]), float),
        )
        for one in told["part"]
    )


def _motifs(told: dict[str, Any], parts: int) -> tuple[_Motif, ...]:
    """Return an ordinary roll, and those under a cast that is the same in light and dark."""
    usual = np.kron(np.eye(parts), np.diag(np.square(told["roll"]["usual_log_e"])))
    casts = []
    for one in told["motif"]:
        cast = np.kron(np.ones((parts, parts)), np.diag(np.square(one["spread_log_e"])))
        middle = np.tile(one["middle_log_e"], parts)
        casts.append(_Motif(float(one["share"]), middle, np.asarray(usual + cast, float)))
    share = 1.0 - sum(cast.share for cast in casts)
    return _Motif(share, np.zeros(2 * parts), np.asarray(usual, float)), *casts


def _peak(
    samples: Samples,
    profile: FilmProfile,
    known: Sequence[Neutral],
    laws: tuple[_Law, ...],
    motif: _Motif,
) -> _Peak:
    """Return the peak of the probability of numbers and shift that the profile leads to."""
    films = covariance(profile)
    count, shifts = len(films), len(motif.middle)
    before = np.zeros((count + shifts, count + shifts))
    before[:count, :count], before[count:, count:] = map(np.linalg.inv, (films, motif.shift))
    expected = np.append(np.zeros(count), motif.middle)
    # Densities were seen, so the probability of exposures is taken per density.
    pale = np.append(paler(profile), np.zeros(shifts)) * samples.weight.sum()
    pale *= sum(law.colours for law in laws)
    flat = np.zeros((count + shifts, count + shifts))

    def fitted(state: Float64) -> Fit:
        """Take pictures, what is known before, how pale colours become together, and neutrals."""
        fit = _seen(samples, profile, laws, state) + normal_fit(state - expected, before)
        fit += Fit(float(pale @ state), pale, flat)
        told = neutral_fit(known, profile, state[:count])
        return fit + Fit(
            told.cost, np.pad(told.slope, (0, shifts)), np.pad(told.curved, (0, shifts))
        )

    state, here = climbed(fitted, expected)
    evidence = math.log(motif.share) - here.cost
    evidence -= (np.linalg.slogdet(motif.shift)[1] + np.linalg.slogdet(here.curved)[1]) / 2.0
    spread = np.asarray(np.linalg.inv(here.curved)[:count, :count], float)
    return _Peak(state[:count], spread, float(evidence))


def _seen(samples: Samples, profile: FilmProfile, laws: tuple[_Law, ...], state: Float64) -> Fit:
    """Return the fit of pictures to numbers and shift (n + 2 k,)."""
    count = len(state) - 2 * len(laws)
    edges = np.append(0.0, np.cumsum([law.share for law in laws]))
    fit = Fit(0.0, np.zeros(len(state)), np.zeros((len(state), len(state))))
    for part in samples.parts():
        logs, turns = layer_turns(part.densities, Trial(profile, state[:count]))
        ends = np.rint(edges * logs.shape[2]).astype(int)
        for place, law in enumerate(laws):
            some, axes = slice(*ends[place : place + 2]), slice(2 * place, 2 * place + 2)
            off = np.einsum("rc,cfn->rfn", RATIOS, logs[:, :, some])
            off -= (law.middle + state[count:][axes])[:, None, None]
            turned = np.zeros((len(state), *off.shape))
            turned[:count] = np.einsum("rc,acfn->arfn", RATIOS, turns[..., some], optimize=True)
            turned[count:][axes] = -np.eye(2)[:, :, None, None]
            each = part.weight[:, None] * law.colours / off.shape[2]
            fit += tailed_fit(off, turned, law.inverse, law.freedom, each)
    return fit
