"""Film speed: the speed points of a characteristic curve, and what they say of exposure."""

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from pipeline.characteristic import Curves, characteristic
from pipeline.film import FilmProfile, shipped
from pipeline.units import LOG_STOP, MIDDLE_GREY

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


@cache
def speed_rules() -> dict[str, Any]:
    """Return the table 'speed' of profiles/process.toml, which names its source."""
    document = shipped("process.toml")
    rules: dict[str, Any] = document["speed"]
    return rules


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
    return _stops_between(points, against)


def _stops_between(points: SpeedPoints, others: SpeedPoints) -> float | None:
    if points.mean is None or others.mean is None:
        return None
    return (others.mean - points.mean) / LOG_STOP


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
