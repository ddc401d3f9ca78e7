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


def tailed_fit(
    off: Float64, turned: Float64, inverse: Float64, freedom: float, counts: Float64 | float = 1.0
) -> Fit:
    """Return the fit to Student's t in two dimensions, curved as its tails are weighed.

    Parameters
    ----------
    off
        (2, ...) places as seen from its middle.
    turned
        (n, 2, ...) what numbers turn them by.
    inverse
        (2, 2) that of its scale.
    freedom
        Its degrees of freedom.
    counts
        (...) how many times each place counts.
    """
    far = np.einsum("r...,rs,s...->...", off, inverse, off, optimize=True)
    cost = float((counts * np.log1p(far / freedom)).sum()) * (freedom + 2.0) / 2.0
    counts = counts * (freedom + 2.0) / (freedom + far)
    weighed = np.einsum("rs,as...->ar...", inverse, turned, optimize=True) * counts
    flat = weighed.reshape(len(turned), -1)
    return Fit(cost, flat @ off.ravel(), flat @ turned.reshape(len(turned), -1).T)


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
