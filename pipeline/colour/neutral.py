"""Where the neutrals of each picture lie under trial curves: what a roll says of its colour."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.colour.trial import Trial, layer_logs
from pipeline.kinds import Float64, Floats
from pipeline.profile import FilmProfile

_LEAST_DENSITY = 0.06
_LEAST_SAMPLES = 20
_SAMPLES_A_FRAME = 240
# Frames whose colours lie this close together (log10 exposure ratio) are much the same picture.
_ALIKE_LOG_E = 0.02
# Frames weighed at a time: what is in between stays in the second cache, however long the roll.
_FRAMES_AT_ONCE = 36
_STEP = 0.02
_SLOPES = np.array([1.0, 1.0, 0.0, 0.0])
_ROUNDS = 8
# Log10 exposures (red, green, blue) to red over blue and green over both.
RATIOS = np.array([[1.0, 0.0, -1.0], [-1.0, 2.0, -1.0]]) / np.sqrt([[2.0], [6.0]])


@dataclass(frozen=True)
class Samples:
    """Per-layer densities of pictures' samples, and what each picture counts.

    `layers` is (3, f, n), dense, of each picture the darker half first, then the lighter; `weight`
    is (f).
    """

    layers: Float64
    weight: Float64


@dataclass(frozen=True)
class Neutrals:
    """Where the neutrals of pictures lie: `place` (f, 4), `RATIOS` of darker and lighter half.

    `moved` (f, 4, 4) is what places move by for each of a trial's four numbers.
    """

    place: Float64
    moved: Float64


def gather(frames: Sequence[Floats], profile: FilmProfile) -> Samples:
    """Return as many samples of each frame as of any; frames alike in colour share a weight.

    A hundred pictures of one wood tell no more of the film than a few of them.
    """
    parts, weights = [], []
    for density in frames:
        layers = np.asarray(density, float) @ np.asarray(profile.unmask).T
        usable = (layers.min(axis=1) > _LEAST_DENSITY) & np.isfinite(layers).all(axis=1)
        layers = layers[usable]
        if len(layers) < _LEAST_SAMPLES:
            continue
        some = layers[np.linspace(0, len(layers) - 1, _SAMPLES_A_FRAME).round().astype(int)]
        parts.append(some[np.argsort(some.sum(axis=1), kind="stable")])
        weights.append(float(usable.mean()))
    if not parts:
        return Samples(np.zeros((3, 0, _SAMPLES_A_FRAME)), np.zeros(0))
    layers = np.ascontiguousarray(np.moveaxis(np.array(parts), -1, 0))
    return Samples(layers, np.array(weights) / _alike(layers, profile))


def neutrals(samples: Samples, trial: Float64, start: Float64, width_log_e: float,
             profile: FilmProfile) -> Neutrals:  # fmt: skip
    """Return where neutrals lie under a trial (4,), sought from `start` (4,) within a width.

    They are where samples crowd: a mean in which each counts by Student's t (freedom 1), found
    in turns. The narrower the width, the less colours beside them draw.
    """
    parts = [
        _neutrals_of(samples.layers[:, some], trial, start, width_log_e, profile)
        for some in _parts(len(samples.weight))
    ]
    return Neutrals(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def _neutrals_of(
    layers: Float64, trial: Float64, start: Float64, width_log_e: float, profile: FilmProfile
) -> tuple[Float64, Float64]:
    logs = layer_logs(layers, Trial(profile, trial))
    steeper = layer_logs(layers, Trial(profile, trial + _STEP * _SLOPES))
    slopes = (steeper - logs) / _STEP
    ratios = np.einsum("rc,cfn->rfn", RATIOS, logs)
    count, half = layers.shape[1], layers.shape[2] // 2
    place, moved = np.empty((count, 4)), np.zeros((count, 4, 4))
    for first in (0, 1):
        part = slice(first * half, (first + 1) * half)
        axes = slice(2 * first, 2 * first + 2)
        weight = _crowd(ratios[:, :, part], start[axes], width_log_e)
        place[:, axes] = np.einsum("rfn,fn->fr", ratios[:, :, part], weight)
        for trial_slope, channel in enumerate((0, 2)):
            grown = (slopes[channel, :, part] * weight).sum(axis=1)
            moved[:, axes, trial_slope] = np.outer(grown, RATIOS[:, channel])
            moved[:, axes, 2 + trial_slope] = RATIOS[:, channel]
    return place, moved


def _crowd(ratios: Float64, start: Float64, width_log_e: float) -> Float64:
    """Return the weights (f, n), which sum to 1, of ratios (2, f, n) where they crowd."""
    place = np.broadcast_to(start[:, None], ratios.shape[:2])
    for _ in range(_ROUNDS):
        apart = ((ratios - place[:, :, None]) ** 2).sum(axis=0) / width_log_e**2
        weight = (1.0 + apart) ** -1.5
        weight /= weight.sum(axis=1, keepdims=True)
        place = np.einsum("rfn,fn->rf", ratios, weight)
    return np.asarray(weight)


def _alike(layers: Float64, profile: FilmProfile) -> Float64:
    """Return for each frame how many frames of the roll are like it in colour, itself included."""
    flat = Trial(profile, np.zeros(4))
    parts = _parts(layers.shape[1])
    colours = np.concatenate([_three_colours(layer_logs(layers[:, p], flat)) for p in parts])
    alike = []
    for some in parts:
        apart = colours[some, None] - colours[None]
        likeness = np.exp(-(apart**2).mean(axis=2) / (2.0 * _ALIKE_LOG_E**2))
        alike.append(likeness.sum(axis=1))
    return np.concatenate(alike)


def _three_colours(logs: Float64) -> Float64:
    """Return (f, 6) log exposure ratios of frames at three places of their spread."""
    places = np.percentile(logs[[0, 2]] - logs[1], (20, 50, 80), axis=2)
    return np.asarray(places.transpose(2, 0, 1).reshape(logs.shape[1], 6))


def _parts(count: int) -> list[slice]:
    """Return what of so many frames is worked on at a time."""
    return [slice(at, at + _FRAMES_AT_ONCE) for at in range(0, count, _FRAMES_AT_ONCE)]
