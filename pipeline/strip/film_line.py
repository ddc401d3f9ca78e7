"""What lies straight along film or across it, as a view shows it."""

import math
from dataclasses import dataclass

import numpy as np

from pipeline.channels import median
from pipeline.kinds import Mask, Numbers, Points

_LEAST_POINTS = 8
_BINS = 40
# An edge that lies nearly level with the pixels shows as stairs: its places are off by up to half a
# pixel, all along a stair alike, which is this standard deviation (of an even distribution).
_LEAST_SIGMA_PX = 1.0 / math.sqrt(12.0)
_CURVE_DEGREE, _CURVE_ROUNDS = 4, 12


@dataclass(frozen=True)
class FilmLine:
    """Points (n, 2) of a view that on film lie on one straight line along it.

    `across_mm` is how far the line lies from the film's upper edge, known to so much as
    `across_sigma_mm`; `steps` (n,) counts perforations, None for an edge; `sigma_px` is the
    standard error of one point.
    """

    points: Points
    across_mm: float
    across_sigma_mm: float
    sigma_px: float
    steps: Numbers | None = None
    pitch_mm: float = 1.0


@dataclass(frozen=True)
class CrossLine:
    """Two points (2, 2) of a view that on film lie on one straight line across it.

    `sigma_px` is the standard error of their distance along the film.
    """

    points: Points
    sigma_px: float


def curve_through(x: Numbers, y: Numbers, tolerance: float) -> Mask:
    """Return which points (n,) lie on the smooth curve that most do."""
    if len(x) < _LEAST_POINTS:
        return np.zeros(len(x), bool)
    from numpy.polynomial import polynomial

    t = (x - x.mean()) / max(float(np.ptp(x)) / 2, 1.0)
    rest = np.abs(y - np.median(y))
    width = max(tolerance, float(np.median(rest)))
    for _ in range(_CURVE_ROUNDS):
        # From the first on: what lies far off at one end, as a finger does, draws a curve to it.
        weight = 1.0 / (1.0 + (rest / width) ** 2)
        fitted = polynomial.polyfit(t, y, _CURVE_DEGREE, w=np.sqrt(weight))
        rest = np.abs(y - polynomial.polyval(t, fitted))
        width = max(tolerance, 0.6 * width)
    near: Mask = rest < 2 * tolerance
    return near


def in_stretches(x: Numbers, y: Numbers) -> tuple[Points, float]:
    """Return the medians (n, 2) of points in stretches along the film, and their standard error."""
    parts = np.array_split(np.argsort(x), max(1, min(_BINS, len(x) // 4)))
    middles = np.array([[x[part].mean(), float(median(y[part]))] for part in parts])
    rests = [
        np.abs(y[part] - level).mean() for part, level in zip(parts, middles[:, 1], strict=True)
    ]
    scatter = float(np.median(rests))
    each = 1.5 * scatter / math.sqrt(max(len(x) / len(parts), 1.0))
    return middles, max(_LEAST_SIGMA_PX, each)
