"""Characteristic curves of a film's layers: density above base against exposure, both ways."""

import math
from dataclasses import dataclass, replace
from typing import Annotated, Self

import numpy as np

from pipeline.check import within
from pipeline.kinds import MIDDLE_GREY, Float64, Floats

_NEWTON_STEPS = 60


@dataclass(frozen=True)
class Shoulder:
    """Where a curve bends over: about `density` its slope falls to `slope`, and stays there.

    `softness` is the width of the bend in density; well above it the curve is a line again.
    """

    density: Annotated[float, within(0.5, 4.0)]
    softness: Annotated[float, within(0.02, 1.0)]
    slope: Annotated[float, within(0.02, 3.0)]


@dataclass(frozen=True)
class LayerCurve:
    """Characteristic curve of one layer: straight line with a smooth toe and shoulder.

    ``D = slope / p * log10(1 + (E / E0) ** p)``: for exposures well above `toe_exposure` (E0)
    the curve is a line of the given `slope` (density per decade); below, it runs into the base.
    `toe_power` (p) is the sharpness of the toe. The form is the soft-plus, the smallest smooth
    function with these two limits; exposures are relative to 1.0 = a perfect white, so that
    a grey card is 0.18. The shoulder is a soft-plus too, of density: it says how much denser the
    film would be without it.
    """

    slope: float
    toe_exposure: float
    toe_power: float
    shoulder: Shoulder | None = None

    def density(self, exposure: Floats) -> Float64:
        """Return density above base for linear exposures >= 0."""
        ratio = np.maximum(np.asarray(exposure, float), 0.0) / self.toe_exposure
        above: Float64 = self.slope / self.toe_power * np.log10(1.0 + ratio**self.toe_power)
        return above if self.shoulder is None else self._bent(above, self.shoulder)

    def exposure(self, density: Floats) -> Float64:
        """Return linear exposure for densities above base, monotone over all real densities.

        Near the base the curve's own slope is infinite for a sharp toe, which would turn grain
        into speckle: below `knee` the tangent carries on, so that densities under the base give
        small negative exposures and noise keeps its mean.
        """
        knee = 0.04 * self.slope
        value = np.asarray(density, float)
        above = self._inverse(np.maximum(value, knee))
        step = 1e-4
        tangent = (self._inverse(np.array(knee + step)) - self._inverse(np.array(knee))) / step
        return above + tangent * np.minimum(value - knee, 0.0)

    def steeper(self, factor: float) -> Self:
        """Return the curve with all densities multiplied by a factor > 0."""
        bend = self.shoulder
        if bend is not None:
            bend = Shoulder(bend.density * factor, bend.softness * factor, bend.slope * factor)
        return replace(self, slope=self.slope * factor, shoulder=bend)

    def _inverse(self, density: Float64) -> Float64:
        straight = density if self.shoulder is None else self._unbent(density, self.shoulder)
        grown = np.expm1(straight * (self.toe_power * math.log(10.0) / self.slope))
        root: Float64 = self.toe_exposure * grown ** (1.0 / self.toe_power)
        return root

    def _unbent(self, density: Float64, bend: Shoulder) -> Float64:
        """Return the densities that a film without the shoulder would have."""
        past = np.logaddexp(0.0, (density - bend.density) / bend.softness)
        at_base = math.log1p(math.exp(-bend.density / bend.softness))
        more: Float64 = (self.slope / bend.slope - 1.0) * bend.softness * (past - at_base)
        return density + more

    def _bent(self, straight: Float64, bend: Shoulder) -> Float64:
        """Return the densities with the shoulder: Newton's method on a convex rising function."""
        more = self.slope / bend.slope - 1.0
        density = straight
        for _ in range(_NEWTON_STEPS):
            past = (density - bend.density) / bend.softness
            rise = 1.0 + more * 0.5 * (1.0 + np.tanh(past / 2.0))
            density = density - (self._unbent(density, bend) - straight) / rise
        return density


@dataclass(frozen=True)
class PointCurve:
    """Characteristic curve given by points: density above base, log10 exposure, both rising.

    Straight between the points in these two; beyond the ends the first and last pieces go on.
    The points may end on a level, an exposure that the curve never passes.
    """

    densities: tuple[float, ...]
    log_exposures: tuple[float, ...]

    @property
    def slope(self) -> float:
        """Density per decade of exposure of the piece that holds middle grey."""
        last = len(self.densities) - 1
        at = int(np.clip(np.searchsorted(self.log_exposures, math.log10(MIDDLE_GREY)), 1, last))
        rise = self.densities[at] - self.densities[at - 1]
        return rise / (self.log_exposures[at] - self.log_exposures[at - 1])

    def density(self, exposure: Floats) -> Float64:
        """Return density for linear exposures, from that of the first point upwards."""
        least = 10.0 ** self.log_exposures[0]
        logs = np.log10(np.maximum(np.asarray(exposure, float), least))
        return _through(logs, self.log_exposures, self.densities)

    def exposure(self, density: Floats) -> Float64:
        """Return linear exposure > 0 for densities above base, never falling."""
        logs = _through(np.asarray(density, float), self.densities, self.log_exposures)
        linear: Float64 = 10.0**logs
        return linear

    def steeper(self, factor: float) -> Self:
        """Return the curve with all densities multiplied by a factor > 0."""
        return replace(self, densities=tuple(density * factor for density in self.densities))


Curve = LayerCurve | PointCurve
"""A layer's characteristic curve; exposures are linear, 1.0 = a perfect white."""


def _through(x: Float64, known_x: tuple[float, ...], known_y: tuple[float, ...]) -> Float64:
    """Return the piecewise line through known points at x, its end pieces going on."""
    within = np.interp(x, known_x, known_y)
    below = np.minimum(x - known_x[0], 0.0) * _rise(known_x[:2], known_y[:2])
    above = np.maximum(x - known_x[-1], 0.0) * _rise(known_x[-2:], known_y[-2:])
    result: Float64 = within + below + above
    return result


def _rise(x: tuple[float, ...], y: tuple[float, ...]) -> float:
    run = x[1] - x[0]
    return (y[1] - y[0]) / run if run > 0 else 0.0
