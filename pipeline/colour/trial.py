"""Four numbers that a roll's colour is solved for, and the curves that they mean."""

import math
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Float64, Triple
from pipeline.profile import Curve, FilmProfile

LEAST_EXPOSURE = 1e-4
_LEAST_SPREAD = 1e-3


@dataclass(frozen=True)
class Trial:
    """A profile moved by `numbers` (4,): relative slopes of red and blue, their balance (log10).

    Slopes are natural logs of the ratio to the profile's; curves keep starting in the base.
    """

    profile: FilmProfile
    numbers: Float64

    @property
    def curves(self) -> tuple[Curve, Curve, Curve]:
        """Return the three curves."""
        red, green, blue = self.profile.curves
        more_red, more_blue = (math.exp(change) for change in self.numbers[:2])
        return (red.steeper(more_red), green, blue.steeper(more_blue))

    @property
    def balance(self) -> Triple:
        """Return what is added to log10 exposures."""
        return (float(self.numbers[2]), 0.0, float(self.numbers[3]))


def layer_logs(layers: Float64, trial: Trial) -> Float64:
    """Return log10 exposures (3, ...) of layer densities (3, ...) under a trial."""
    return np.stack(
        [
            _logs(density, curve) + shift
            for density, curve, shift in zip(layers, trial.curves, trial.balance, strict=True)
        ]
    )


def _logs(densities: Float64, curve: Curve) -> Float64:
    """Return log10 exposures of one layer for its densities."""
    logs: Float64 = np.log10(np.maximum(curve.exposure(densities), LEAST_EXPOSURE))
    return logs


def covariance(profile: FilmProfile) -> Float64:
    """Return how the four numbers (4, 4) vary between films and scanners, about a profile.

    Layers vary each for itself; red and blue are told against green, whose part they share.
    """
    layers = np.maximum([profile.slope_spread, profile.speed_spread_log_e], _LEAST_SPREAD)
    return np.asarray(np.kron(np.diag(layers**2), [[1.0, 0.5], [0.5, 1.0]]), float)
