"""Numbers that a roll's colour is solved for, and the curves and matrix that they mean."""

import math
from dataclasses import dataclass, replace

import numpy as np

from pipeline.kinds import MIDDLE_GREY, Float64, Matrix, Triple, as_matrix
from pipeline.profile import Curve, FilmProfile

LEAST_EXPOSURE = 1e-4
# Log10 exposures (red, green, blue) to red over blue and green over both.
RATIOS = np.array([[1.0, 0.0, -1.0], [-1.0, 2.0, -1.0]]) / np.sqrt([[2.0], [6.0]])
_LEAST_SPREAD = 1e-3
_STEP = 1e-3
# Slopes and balance of red and blue, then the slope of all; the rest of a trial's numbers are its
# unmasking's.
CURVE_NUMBERS = 5
CONTRAST = 4


@dataclass(frozen=True)
class Trial:
    """A profile moved by `numbers` (5 + k,), all 0 where it is the profile.

    First relative slopes of red and blue against green, as natural logs of the ratio to the
    profile's, where curves keep starting in the base; then the balance of both (log10); then the
    slope of all three, as the first; then how far the unmasking strays in each of the profile's k
    ways (standard deviations).
    """

    profile: FilmProfile
    numbers: Float64

    @property
    def curves(self) -> tuple[Curve, Curve, Curve]:
        """Return the three curves."""
        red, green, blue = self.profile.curves
        more_red, more_blue = self.numbers[:2]
        more = self.numbers[CONTRAST]
        return (
            red.steeper(math.exp(more + more_red)),
            green.steeper(math.exp(more)),
            blue.steeper(math.exp(more + more_blue)),
        )

    @property
    def balance(self) -> Triple:
        """Return what is added to log10 exposures."""
        return (float(self.numbers[2]), 0.0, float(self.numbers[3]))

    @property
    def unmask(self) -> Matrix:
        """Return the matrix from densities of the scanner to those of the layers."""
        ways = self.profile.unmask_strays
        if not ways:
            return self.profile.unmask
        from scipy.linalg import expm

        stray = np.tensordot(self.numbers[CURVE_NUMBERS:], np.array(ways), 1)
        return as_matrix(expm(stray) @ np.asarray(self.profile.unmask))


def profile_trial(profile: FilmProfile) -> Trial:
    """Return the trial that is the profile itself."""
    return Trial(profile, np.zeros(CURVE_NUMBERS + len(profile.unmask_strays)))


def same_film(numbers: Float64, profile: FilmProfile, other: FilmProfile) -> Float64:
    """Return numbers (n,) about a profile as they are about another of its kind, for the same film.

    What the other's unmasking has more of a layer's density, the layer's curve is steeper by, and
    by what its own are less steep; how far it is along the ways in which the profile's strays, its
    own strays less. What its curves are faster or slower by, as after a grey card, its balance
    makes up for.
    """
    moved = numbers.copy()
    steeper = np.divide(profile.slopes(), other.slopes())
    curves = [curve.steeper(float(r)) for curve, r in zip(other.curves, steeper, strict=True)]
    red, green, blue = np.log(steeper)
    moved[: CONTRAST + 1] += (red - green, blue - green, 0.0, 0.0, green)
    if other.unmask != profile.unmask:
        from scipy.linalg import logm

        between = logm(np.asarray(other.unmask) @ np.linalg.inv(profile.unmask)).real
        denser = between.sum(axis=1)
        ways = np.array(profile.unmask_strays).reshape(-1, 9)
        along = np.linalg.lstsq(ways.T, (between - np.diag(denser)).ravel(), rcond=None)[0]
        moved[:2] += denser[[0, 2]] - denser[1]
        moved[CONTRAST] += denser[1]
        moved[CURVE_NUMBERS:] -= along
    grey = zip(grey_density(profile), curves, strict=True)
    slower = np.array([_logs(*each) for each in grey])
    moved[2:CONTRAST] -= slower[[0, 2]] - slower[1]
    return moved


def grey_density(profile: FilmProfile) -> Float64:
    """Return the density (3,) of each layer above base where a profile has a middle grey."""
    return np.array([curve.density(np.array(MIDDLE_GREY)) for curve in profile.curves])


def layer_logs(densities: Float64, trial: Trial) -> Float64:
    """Return log10 exposures (3, ...) of densities above base (3, ...) under a trial."""
    layers = np.tensordot(np.asarray(trial.unmask), densities, 1)
    return np.stack(
        [
            _logs(density, curve) + shift
            for density, curve, shift in zip(layers, trial.curves, trial.balance, strict=True)
        ]
    )


def layer_turns(densities: Float64, trial: Trial) -> tuple[Float64, Float64]:
    """Return log10 exposures (3, ...) of densities (3, ...), and what numbers turn them by.

    The second is (numbers, 3, ...), per unit of each number.
    """
    unmask = np.asarray(trial.unmask)
    layers = np.tensordot(unmask, densities, 1)
    logs, turns = np.empty_like(layers), np.zeros((len(trial.numbers), *layers.shape))
    steep = np.empty_like(layers)
    for channel, curve in enumerate(trial.curves):
        logs[channel] = _logs(layers[channel], curve) + trial.balance[channel]
        more = _logs(layers[channel] + _STEP, curve) + trial.balance[channel]
        steep[channel] = (more - logs[channel]) / _STEP
    # A curve is steeper by as much as densities are divided by.
    turns[CONTRAST] = -layers * steep
    for number, channel in enumerate((0, 2)):
        turns[number, channel] = turns[CONTRAST, channel]
        turns[2 + number, channel] = 1.0
    for number in range(CURVE_NUMBERS, len(trial.numbers)):
        moved = trial.numbers.copy()
        moved[number] += _STEP
        change = np.subtract(replace(trial, numbers=moved).unmask, unmask) / _STEP
        turns[number] = np.tensordot(change, densities, 1) * steep
    return logs, turns


def _logs(densities: Float64, curve: Curve) -> Float64:
    """Return log10 exposures of one layer for its densities."""
    logs: Float64 = np.log10(np.maximum(curve.exposure(densities), LEAST_EXPOSURE))
    return logs


def covariance(profile: FilmProfile) -> Float64:
    """Return how the numbers of a trial vary between films and scanners, about a profile.

    Layers vary each for itself; red and blue are told against green, whose part they share, and
    the slope of all is green's, of which the layers have another part in common.
    """
    slope, speed = (
        max(one, _LEAST_SPREAD) for one in (profile.slope_spread, profile.speed_spread_log_e)
    )
    both = np.eye(CURVE_NUMBERS + len(profile.unmask_strays))
    shared = np.array([[1.0, 0.5], [0.5, 1.0]])
    both[:2, :2], both[2:CONTRAST, 2:CONTRAST] = slope**2 * shared, speed**2 * shared
    own = slope**2 / 2.0
    both[CONTRAST, :2] = both[:2, CONTRAST] = -own
    both[CONTRAST, CONTRAST] = own + max(profile.contrast_spread, _LEAST_SPREAD) ** 2
    return both


def paler(profile: FilmProfile) -> Float64:
    """Return what each number of a trial takes off the log area of colours, two against green.

    Steeper curves divide differences of density; straying matrices multiply them by their
    determinant, which is the exponential of their trace.
    """
    strays = [-float(np.trace(way)) for way in profile.unmask_strays]
    return np.array([1.0, 1.0, 0.0, 0.0, 2.0, *strays])
