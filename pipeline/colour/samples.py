"""Samples of a roll's pictures, and how much each picture counts."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.colour.trial import layer_logs, profile_trial
from pipeline.kinds import Float64, Floats
from pipeline.profile import FilmProfile

_LEAST_DENSITY = 0.06
_LEAST_SAMPLES = 20
_SAMPLES_A_FRAME = 240
# Frames whose colours lie this close together (log10 exposure ratio) are much the same picture.
_ALIKE_LOG_E = 0.02
# Frames weighed at a time: what is in between stays in the second cache, however long the roll.
_FRAMES_AT_ONCE = 36


@dataclass(frozen=True)
class Samples:
    """Densities above base of pictures' samples, and what each picture counts.

    `densities` is (3, f, n), dense, of each picture the darker half first, then the lighter;
    `weight` is (f).
    """

    densities: Float64
    weight: Float64

    def parts(self) -> Iterator["Samples"]:
        """Yield some pictures at a time."""
        for at in range(0, len(self.weight), _FRAMES_AT_ONCE):
            some = slice(at, at + _FRAMES_AT_ONCE)
            yield Samples(self.densities[:, some], self.weight[some])


def gather(frames: Sequence[Floats], profile: FilmProfile) -> Samples:
    """Return as many samples of each frame as of any; frames alike in colour share a weight.

    A hundred pictures of one wood tell no more of the film than a few of them.
    """
    densities = np.empty((3, len(frames), _SAMPLES_A_FRAME))
    weights: list[float] = []
    for density in frames:
        every = np.asarray(density, float)
        layers = every @ np.asarray(profile.unmask).T
        usable = (layers.min(axis=1) > _LEAST_DENSITY) & np.isfinite(layers).all(axis=1)
        places = np.flatnonzero(usable)
        if len(places) < _LEAST_SAMPLES:
            continue
        some = places[np.linspace(0, len(places) - 1, _SAMPLES_A_FRAME).round().astype(int)]
        ordered = some[np.argsort(layers[some].sum(axis=1), kind="stable")]
        densities[:, len(weights)] = every[ordered].T
        weights.append(float(usable.mean()))
    densities = np.ascontiguousarray(densities[:, : len(weights)])
    if not weights:
        return Samples(densities, np.zeros(0))
    samples = Samples(densities, np.array(weights))
    return Samples(densities, samples.weight / _alike(samples, profile))


def _alike(samples: Samples, profile: FilmProfile) -> Float64:
    """Return for each frame how many frames of the roll are like it in colour, itself included."""
    flat = profile_trial(profile)
    parts = [_three_colours(layer_logs(part.densities, flat)) for part in samples.parts()]
    colours, alike = np.concatenate(parts), []
    for some in parts:
        apart = some[:, None] - colours[None]
        likeness = np.exp(-(apart**2).mean(axis=2) / (2.0 * _ALIKE_LOG_E**2))
        alike.append(likeness.sum(axis=1))
    return np.concatenate(alike)


def _three_colours(logs: Float64) -> Float64:
    """Return (f, 6) log exposure ratios of frames at three places of their spread."""
    places = np.percentile(logs[[0, 2]] - logs[1], (20, 50, 80), axis=2)
    return np.asarray(places.transpose(2, 0, 1).reshape(logs.shape[1], 6))
