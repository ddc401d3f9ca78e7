"""Densities above base to scene light: the orange mask taken off, curves inverted."""

from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Float64, Floats, Matrix, Triple, as_triple
from pipeline.profile import Curve, FilmProfile


@dataclass(frozen=True)
class RollColour:
    """How densities above base become scene light, the same over the whole roll.

    `balance` is added to log10 exposure per channel; `curves` are the layers' characteristic
    curves; `exposure` scales all channels so that a middle grey is 0.18; `how` says what it
    rests on: 'profile', 'roll' or 'reference'; `confidence` 0 to 1. Of a colour from the roll,
    `doubt_log_e` is the standard deviation of red and blue against green in a middle grey (log10
    exposure), and `cast` the probability that one cast lies over all its pictures.
    """

    unmask: Matrix
    curves: tuple[Curve, Curve, Curve]
    balance: Triple
    scene: Matrix
    exposure: float
    how: str
    confidence: float
    doubt_log_e: float | None = None
    cast: float | None = None

    def slopes(self) -> Triple:
        """Return the slopes of the three curves, density per decade of exposure."""
        return as_triple(curve.slope for curve in self.curves)


def layer_exposure(density: Floats, colour: RollColour) -> Float64:
    """Return balanced linear exposure of the layers (..., 3) for densities above base (..., 3)."""
    layers = np.asarray(density, float) @ np.asarray(colour.unmask).T
    parts = [
        curve.exposure(layers[..., channel]) * 10.0 ** colour.balance[channel] * colour.exposure
        for channel, curve in enumerate(colour.curves)
    ]
    return np.stack(parts, axis=-1)


def scene_light(density: Floats, colour: RollColour) -> Float64:
    """Return linear ACEScg (..., 3), middle grey 0.18, for densities above base (..., 3)."""
    light: Float64 = layer_exposure(density, colour) @ np.asarray(colour.scene).T
    return light


def from_profile(profile: FilmProfile) -> RollColour:
    """Return the rendition that a film profile alone gives, at its own exposure."""
    return RollColour(
        unmask=profile.unmask,
        curves=profile.curves,
        balance=(0.0, 0.0, 0.0),
        scene=profile.scene,
        exposure=1.0,
        how="profile",
        confidence=0.3,
    )
