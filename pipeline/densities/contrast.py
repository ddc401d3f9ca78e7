"""Contrast of a roll, measured or guessed, and film speed by the points of its curve."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.colour import RollColour, from_profile
from pipeline.densities.characteristic import Curves, characteristic
from pipeline.kinds import LOG_STOP, MIDDLE_GREY, Float64, Floats, Triple, as_triple
from pipeline.profile import FilmProfile, shipped
from pipeline.record import ContrastRecord
from pipeline.strip import measure_limits

_LEAST_SAMPLES = 20
_LEAST_EXPOSURE = 1e-3
# Contrasts that are tried, as shares of the profile's.
_TRIED = np.exp(np.linspace(math.log(0.25), math.log(2.5), 70))


def neutral_slope(colour: RollColour) -> Float64:
    """Return the slopes (3,) of scanner density on greys that a roll's colour stands for.

    On greys the three layers' densities rise by their own slopes, and what the scanner sees of
    them is the inverse of taking it apart. A silver image is taken apart into one layer, which
    all channels see alike.
    """
    unmask, slopes = np.asarray(colour.unmask, float), np.asarray(colour.slopes(), float)
    return np.linalg.solve(unmask, slopes) if np.linalg.matrix_rank(unmask) == 3 else slopes


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
) -> ContrastRecord | None:
    """Return the contrast that edge print and pictures make probable, None where neither tells.

    Its `how` is 'edge print', 'pictures' or 'edge print and pictures'.

    Parameters
    ----------
    pictures
        For each picture (n, 3) samples of density above base.
    printed
        Density of the edge print above base, None where none was measured.
    colour
        The roll's colour, whose slopes tell how the channels differ. Where the roll's pictures
        tell their level too, that of the profile is taken: they are weighed here.
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
    if colour.how == "roll":
        slopes *= profile.slopes()[1] / colour.slopes()[1]
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
    return ContrastRecord(value, low, high, " and ".join(name for name, _, _ in clues))


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


MaybeTriple = tuple[float | None, float | None, float | None]

# Highest density above D-min at which speeds are compared.
_MOST_ABOVE = 0.5
# Exposures over which a film profile's curves are drawn, decades about middle grey.
_PROFILE_LOW, _PROFILE_HIGH, _PROFILE_STEP = -2.4, 2.4, 0.1


@dataclass(frozen=True)
class SpeedPoints:
    """Where each channel lies a fixed density above D-min, in log10 exposure.

    `log_exposure` has R, G, B, None where the steps don't show it. `mean` is that of green and
    the slowest channel. `iso` is the arithmetic speed where exposures are in lx s, else None;
    `told` the nearest of the usual series, and `degrees` the logarithmic speed.
    """

    log_exposure: MaybeTriple
    mean: float | None
    iso: float | None = None

    @property
    def told(self) -> int | None:
        """Return the speed as it is written on boxes."""
        return None if self.iso is None else rounded_speed(self.iso)

    @property
    def degrees(self) -> int | None:
        """Return the logarithmic speed, 1 + 10 log10 S, in degrees."""
        return None if self.iso is None else round(1.0 + 10.0 * math.log10(self.iso))


def speed_rules() -> dict[str, Any]:
    """Return the table 'speed' of profiles/process.toml, which names its source."""
    return dict(shipped("process.toml")["speed"])


def speed_points(
    curves: Curves, lux_seconds: bool = False, above_base: float | None = None
) -> SpeedPoints:
    """Return the speed points of three curves; a speed only for exposures in lx s.

    `above_base` is another density above D-min than the standard's, for comparisons.

    Notes
    -----
    After ISO 5800:1987 (from memory): the speed point of each layer is where its density is 0.15
    above D-min; H_m is the root of the product of the exposures of the green-sensitive layer and
    of the slowest one; S = sqrt(2) / H_m. The standard's light, process and densitometer
    (Status M) are the user's to see to: without them it is a speed in the standard's manner.
    """
    above = float(speed_rules()["point_density"]) if above_base is None else above_base
    red, green, blue = (
        None if curve.base_density is None else curve.log_exposure_at(curve.base_density + above)
        for curve in curves
    )
    if red is None or green is None or blue is None:
        return SpeedPoints((red, green, blue), None)
    mean = 0.5 * (green + max(red, green, blue))
    iso = float(speed_rules()["constant"]) / 10.0**mean if lux_seconds else None
    return SpeedPoints((red, green, blue), mean, iso)


def rounded_speed(iso: float) -> int:
    """Return the nearest speed, by ratio, of those told a third of a stop apart."""
    return int(min(speed_rules()["series"], key=lambda one: abs(math.log(one / iso))))


def stops_faster(curves: Curves, others: Curves) -> float | None:
    """Return by how many stops a film needs less exposure than another; None if unknown.

    They are compared at their speed points, or at the least density that the steps show, as far
    as that is still near the toe: farther up, contrast has its part in it.
    """
    lowest = [
        curve.density[0] - curve.base_density
        for curve in (*curves, *others)
        if curve.base_density is not None
    ]
    above = max(float(speed_rules()["point_density"]), *(low + 1e-6 for low in lowest), 0.0)
    if above > _MOST_ABOVE:
        return None
    points, against = (speed_points(each, above_base=above) for each in (curves, others))
    if points.mean is None or against.mean is None:
        return None
    return (against.mean - points.mean) / LOG_STOP


def profile_curves(profile: FilmProfile) -> Curves:
    """Return the curves of a neutral that a profile leads to expect, above base.

    They are told as the channels of `profile.unmask` see them; log10 exposure 0 is middle grey
    at the film's rated speed.
    """
    logs = np.arange(_PROFILE_LOW, _PROFILE_HIGH, _PROFILE_STEP)
    exposure = MIDDLE_GREY * 10.0**logs
    layers = np.stack([curve.density(exposure) for curve in profile.curves], axis=1)
    density = layers @ np.linalg.inv(np.asarray(profile.unmask)).T
    curves = characteristic(logs, density, np.full_like(density, 0.001), np.zeros(3))
    assert curves is not None
    return curves
