"""Newton's method for the numbers that are most probable."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Float64

_STEPS, _HALVINGS = 30, 6
_LONGEST_STEP = 1.0
_STILL = 1e-3


@dataclass(frozen=True)
class Fit:
    """Minus the log probability at a place (n,), with its slope (n,) and its curvature (n, n)."""

    cost: float
    slope: Float64
    curved: Float64

    def __add__(self, other: "Fit") -> "Fit":
        """Return the fit to both, if what they tell is independent."""
        return Fit(self.cost + other.cost, self.slope + other.slope, self.curved + other.curved)


def normal_fit(off: Float64, inverse: Float64) -> Fit:
    """Return the fit to a normal law at a place `off` (n,) its middle; `inverse` of covariance."""
    return Fit(float(off @ inverse @ off) / 2.0, inverse @ off, inverse)


def climbed(fitted: Callable[[Float64], Fit], start: Float64) -> tuple[Float64, Fit]:
    """Return the place of least cost found from a start (n,), and the fit there.

    A step that is too long for its curvature is halved.
    """
    state, here = start, fitted(start)
    for _ in range(_STEPS):
        step = np.linalg.solve(here.curved, -here.slope)
        step /= max(1.0, np.abs(step).max() / _LONGEST_STEP)
        for _ in range(_HALVINGS):
            there = fitted(state + step)
            if there.cost < here.cost:
                break
            step /= 2.0
        else:
            break
        gained, state, here = here.cost - there.cost, state + step, there
        if gained < _STILL:
            break
    return state, here
