"""What a roll's pictures make probable of its four numbers: films against motifs."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.colour.neutral import Neutrals, Samples, neutrals
from pipeline.colour.trial import covariance
from pipeline.kinds import Float64
from pipeline.profile import FilmProfile, shipped

_STEPS = 12
_STILL = 1e-4
_HALVES = 2


@dataclass(frozen=True)
class Belief:
    """The four numbers of a trial: their mean (4,) and covariance (4, 4).

    `cast` is the probability, 0 to 1, that one cast lies over all pictures.
    """

    mean: Float64
    covariance: Float64
    cast: float


@dataclass(frozen=True)
class _Scenes:
    """How neutrals lie in pictures (see profiles/scenes.toml), the scale inverted."""

    freedom: float
    middle: Float64
    scale: Float64
    inverse: Float64
    widths_log_e: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class _Motif:
    """A kind of roll: its share of rolls, and how all its pictures are shifted together (4, 4)."""

    share: float
    shift: Float64


@dataclass(frozen=True)
class _Peak:
    """The most probable numbers if a roll is of one kind, and the log of that kind's evidence."""

    numbers: Float64
    covariance: Float64
    log_evidence: float


def belief_of(samples: Samples, profile: FilmProfile) -> Belief:
    """Return what the pictures of a roll make probable, given what films and scanners can be.

    Notes
    -----
    A picture's neutrals lie about neutral with heavy tails, and all pictures of a roll may share
    a shift, small on an ordinary roll, wide where one cast lies over all. Slopes and balance have
    the profile's normal spread, whose tails are light: what lies outside of it is the motif's. Both
    kinds of roll are solved and weighed by their evidence (Laplace's approximation: MacKay,
    Information Theory, Inference, and Learning Algorithms, chapter 27).
    """
    told = shipped("scenes.toml")
    scenes = _scenes(told["neutrals"], told["width"])
    prior = np.asarray(np.linalg.inv(covariance(profile)), float)
    motifs = _motifs(told["motif"], scenes)
    peaks = [_highest(samples, profile, prior, scenes, motif) for motif in motifs]
    logs = np.array([peak.log_evidence for peak in peaks])
    share = np.exp(logs - logs.max())
    share /= share.sum()
    mean = share @ np.array([peak.numbers for peak in peaks])
    spread = np.zeros((4, 4))
    for part, peak in zip(share, peaks, strict=True):
        off = peak.numbers - mean
        spread += part * (peak.covariance + np.outer(off, off))
    return Belief(mean, spread, float(share[-1]))


def _scenes(told: dict[str, Any], width: dict[str, Any]) -> _Scenes:
    scale = np.array(told["scale"])
    middle, widths = np.array(told["middle"]), tuple(map(tuple, width["log_e"]))
    return _Scenes(float(told["freedom"]), middle, scale, np.linalg.inv(scale), widths)


def _motifs(told: dict[str, Any], scenes: _Scenes) -> tuple[_Motif, _Motif]:
    """Return an ordinary roll, and one under a cast that is the same in light and dark."""
    ordinary = told["ordinary"] * scenes.scale
    cast = np.kron(np.ones((2, 2)), np.diag([told["warm_log_e"] ** 2, told["green_log_e"] ** 2]))
    share = told["cast_share"]
    return _Motif(1.0 - share, ordinary), _Motif(share, ordinary + cast)


def _highest(
    samples: Samples, profile: FilmProfile, prior: Float64, scenes: _Scenes, motif: _Motif
) -> _Peak:
    """Return the highest peak found, for rolls of one kind.

    Looked for widely, neutrals far from the profile's are found; narrowly, few among many colours.
    """
    peaks = [_peak(samples, profile, prior, scenes, motif, way) for way in scenes.widths_log_e]
    return max(peaks, key=lambda peak: peak.log_evidence)


def _peak(
    samples: Samples, profile: FilmProfile, prior: Float64, scenes: _Scenes, motif: _Motif,
    widths_log_e: tuple[float, ...],
) -> _Peak:  # fmt: skip
    """Return the peak of the probability of numbers and shift that such widths lead to."""
    before = np.zeros((8, 8))
    before[:4, :4], before[4:, 4:] = prior, np.linalg.inv(motif.shift)
    state, precision = np.zeros(8), before
    for width in widths_log_e:
        # A shift that all have is where neutrals are looked for, alike in light and dark.
        start = np.tile(state[4:].reshape(_HALVES, 2).mean(axis=0), _HALVES)
        seen, about = neutrals(samples, state[:4], start, width, profile), state[:4]
        for _ in range(_STEPS):
            slope, precision = _turned(seen, about, state, samples.weight, scenes, before)
            step = np.linalg.solve(precision, slope)
            state = state - step
            if np.abs(step).max() < _STILL:
                break
    cost = _cost(_off(seen, about, state, scenes), state, samples.weight, scenes, before)
    evidence = math.log(motif.share) - cost
    evidence -= (np.linalg.slogdet(motif.shift)[1] + np.linalg.slogdet(precision)[1]) / 2.0
    spread = np.asarray(np.linalg.inv(precision)[:4, :4], float)
    return _Peak(state[:4], spread, float(evidence))


def _off(seen: Neutrals, about: Float64, state: Float64, scenes: _Scenes) -> Float64:
    """Return how far neutrals (f, 4) lie from where the numbers and the shift put them."""
    off: Float64 = seen.place + seen.moved @ (state[:4] - about) - scenes.middle - state[4:]
    return off


def _turned(
    seen: Neutrals, about: Float64, state: Float64, weight: Float64, scenes: _Scenes,
    before: Float64,
) -> tuple[Float64, Float64]:  # fmt: skip
    """Return slope (8,) and curvature (8, 8) of minus the log probability, tails reweighed."""
    off = _off(seen, about, state, scenes)
    far = np.einsum("fi,ij,fj->f", off, scenes.inverse, off)
    counts = weight * (scenes.freedom + 4.0) / (scenes.freedom + far)
    shifts = np.broadcast_to(-np.eye(4), seen.moved.shape)
    turns = np.concatenate([seen.moved, shifts], axis=2)
    weighed = np.einsum("f,fia,ij->faj", counts, turns, scenes.inverse)
    slope = np.einsum("faj,fj->a", weighed, off) + before @ state
    slope[:2] += _HALVES * weight.sum()
    return slope, np.einsum("faj,fjb->ab", weighed, turns) + before


def _cost(off: Float64, state: Float64, weight: Float64, scenes: _Scenes, before: Float64) -> float:
    """Return minus the log probability of pictures and numbers, to within a constant.

    Steeper curves make all colours paler, which is no evidence for them: densities were seen, so
    the probability of exposures is taken per density, which goes with the slopes.
    """
    far = np.einsum("fi,ij,fj->f", off, scenes.inverse, off)
    pictures = weight @ np.log1p(far / scenes.freedom) * (scenes.freedom + 4.0) / 2.0
    paler = _HALVES * weight.sum() * state[:2].sum()
    return float(pictures + paler + state @ before @ state / 2.0)
