"""Characteristic curve of film: density against log10 exposure, drawn through measured steps."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.kinds import SIGMA_OF_MAD, Float64, Floats
from pipeline.profile import shipped

Curves = tuple["ChannelCurve", "ChannelCurve", "ChannelCurve"]

LEAST_STEPS = 4
_LEAST_RANGE = 0.25
_KNOT_STEP, _MOST_KNOTS = 0.12, 40
_SMOOTHINGS = np.logspace(-7, 3, 41)
# Mean square of how fast a curve's slope bends, density per decade cubed, per decade.
_BEND = 1.0
# Where a curve is steepest is looked for on one drawn so much smoother: on the curve itself the
# steepest place is one where noise makes it steep, 1 to 2 per cent too steep on average.
_PLAINER = 100.0
# Standard errors by which a place must be steeper than a better known one.
_DOUBT = 2.0
# Counts each degree of freedom somewhat more than once: with few steps plain cross-validation
# draws curves through the noise (Kim and Gu, J. R. Statist. Soc. B 66 (2004), 337).
_CAUTION = 1.4
# What no reading of a step is better than, in density; where nothing is known, that of figures
# with two decimals, 0.01 / sqrt(12).
_LEAST_ERROR, _LEAST_UNKNOWN = 0.001, 0.003
_HUBER = 2.5
_ROUNDS = 4
_GRID = 241


@dataclass(frozen=True)
class CurvePoint:
    """A place on a curve: log10 exposure, and density on the curve's own scale."""

    log_exposure: float
    density: float


@dataclass(frozen=True)
class ChannelCurve:
    """One channel's curve.

    `log_exposure` and `density` are the drawn curve, evenly spaced, never falling. `contrast` is
    the steepest mean slope over a range of log10 exposure (that of `curve_rules`, or all there
    is), `contrast_error` its standard error, and `contrast_from`, `contrast_to` where that range
    lies. `toe` is where the straight part begins, `shoulder` where it ends, None where the steps
    don't reach so far. `straight` tells whether the curve is not still getting steeper at the
    last step. `base_density` is D-min, None where the steps don't come down to it. `residual` is
    the root mean square of what the steps lie off the curve.
    """

    log_exposure: tuple[float, ...]
    density: tuple[float, ...]
    contrast: float
    contrast_error: float
    contrast_from: float
    contrast_to: float
    toe: CurvePoint | None
    shoulder: CurvePoint | None
    straight: bool
    base_density: float | None
    residual: float

    def density_at(self, log_exposure: float) -> float | None:
        """Return the density at a log10 exposure, None beyond the steps."""
        if not self.log_exposure[0] <= log_exposure <= self.log_exposure[-1]:
            return None
        return float(np.interp(log_exposure, self.log_exposure, self.density))

    def log_exposure_at(self, density: float) -> float | None:
        """Return the log10 exposure that makes a density, None beyond the steps."""
        known = np.asarray(self.density)
        above = np.nonzero(known >= density)[0]
        if len(above) == 0 or above[0] == 0:
            return None
        at = slice(above[0] - 1, above[0] + 1)
        return float(np.interp(density, known[at], self.log_exposure[at]))


def curve_rules() -> dict[str, Any]:
    """Return the table 'curve' of profiles/process.toml, which names its sources."""
    return dict(shipped("process.toml")["curve"])


def characteristic(
    log_exposure: Floats,
    density: Floats,
    error: Floats | None = None,
    base_density: Floats | None = None,
) -> Curves | None:
    """Return the three channels' curves through steps, or None if the steps are too few.

    Parameters
    ----------
    log_exposure
        (n,) log10 exposure of the steps in any order, its zero anywhere; (n, 3) where they are
        not quite neutral.
    density
        (n, 3) their densities, R, G, B, above base or not.
    error
        (n, 3) standard errors of these, where known: steps count by them.
    base_density
        (3,) D-min, where known; else it is read off where the steps come down to it.

    Notes
    -----
    A smoothing spline whose slope is nowhere negative: slope = sum of quadratic B-splines with
    coefficients >= 0, second differences of the coefficients penalised (P. H. C. Eilers and
    B. D. Marx, Statistical Science 11 (1996), 89; monotone by the sign of the coefficients as in
    J. O. Ramsay, Statistical Science 3 (1988), 425). How smooth follows from the steps' errors;
    where these are not known, from generalised cross-validation over all channels. Stray steps
    count less (Huber's weights). Standard errors are those of the Bayesian view of it
    (G. Wahba, J. R. Statist. Soc. B 45 (1983), 133).
    """
    seen = np.asarray(density, float)
    logs = np.asarray(log_exposure, float)
    logs = np.repeat(logs[:, None], 3, axis=1) if logs.ndim == 1 else logs
    errors = np.zeros_like(seen) if error is None else np.asarray(error, float)
    good = np.isfinite(np.hstack([logs, seen, errors])).all(axis=1)
    order = np.nonzero(good)[0][np.argsort(logs[good, 1], kind="stable")]
    logs, seen, errors = logs[order], seen[order], errors[order]
    if len(np.unique(logs[:, 1])) < LEAST_STEPS or np.ptp(logs[:, 1]) < _LEAST_RANGE:
        return None
    bases = [_Basis(logs[:, channel]) for channel in range(3)]
    if error is None:
        errors = np.full_like(seen, max(_noise(bases, seen), _LEAST_UNKNOWN))
    errors = np.maximum(errors, _LEAST_ERROR)
    base = (None,) * 3 if base_density is None else np.asarray(base_density, float).tolist()
    red, green, blue = (
        _channel_curve(bases[channel], seen[:, channel], errors[:, channel], base[channel])
        for channel in range(3)
    )
    return (red, green, blue)


class _Basis:
    """The spline over the steps' range: density = first column + slopes' integrals."""

    def __init__(self, logs: Float64) -> None:
        from scipy.interpolate import BSpline

        self.low, self.high = float(logs.min()), float(logs.max())
        span = self.high - self.low
        self.knots = int(np.clip(np.ceil(span / _KNOT_STEP), 3, _MOST_KNOTS))
        step = span / self.knots
        places = self.low + step * np.arange(-2, self.knots + 3)
        self._spline = BSpline(places, np.eye(self.knots + 2), 2, extrapolate=True)
        self._integral = self._spline.antiderivative()
        self.at_steps = self.density_rows(logs)
        size = self.at_steps.shape[1]
        bend = np.diff(np.eye(size - 1), 2, axis=0)
        self.penalty = np.zeros((size, size))
        # Scaled so that its weight means the same whatever the knots' distance.
        self.penalty[1:, 1:] = bend.T @ bend / (span / self.knots) ** 3
        self.lower = np.r_[-np.inf, np.zeros(size - 1)]

    def density_rows(self, logs: Float64) -> Float64:
        """Return rows (n, size) that make densities of the coefficients."""
        risen = self._integral(self._within(logs)) - self._integral(self.low)
        return np.column_stack([np.ones(len(logs)), risen])

    def slope_rows(self, logs: Float64) -> Float64:
        """Return rows (n, size) that make slopes of the coefficients."""
        return np.column_stack([np.zeros(len(logs)), self._spline(self._within(logs))])

    def _within(self, logs: Float64) -> Float64:
        return np.clip(logs, self.low, self.high)


def _noise(bases: Sequence[_Basis], seen: Float64) -> float:
    """Return the steps' standard error, by cross-validation over all channels together."""
    count = len(seen)
    best, noise = np.inf, _LEAST_ERROR
    for weight in _SMOOTHINGS:
        freedom, left = 0.0, count * _LEAST_ERROR**2
        for channel, basis in enumerate(bases):
            rows = basis.at_steps
            hat = rows @ np.linalg.pinv(rows.T @ rows + weight * basis.penalty) @ rows.T
            freedom += float(np.trace(hat)) / 3.0
            left += float(((seen[:, channel] - hat @ seen[:, channel]) ** 2).sum())
        score = left / (count - min(_CAUTION * freedom, count - 0.5)) ** 2
        if score < best:
            best, noise = score, math.sqrt(left / 3 / max(count - freedom, 0.5))
    return noise


def _channel_curve(
    basis: _Basis, seen: Float64, errors: Float64, base_density: float | None
) -> ChannelCurve:
    weights = 1.0 / errors
    for _ in range(_ROUNDS):
        found = _solved(basis, seen, weights, 1.0)
        off = np.abs(seen - basis.at_steps @ found) / errors
        scale = max(SIGMA_OF_MAD * float(np.median(off)), 1.0)
        weights = np.sqrt(np.minimum(1.0, _HUBER * scale / np.maximum(off, 1e-9))) / errors
    smooth = _solved(basis, seen, weights, _PLAINER)
    free = np.r_[True, found[1:] > 1e-6]
    inner = (basis.at_steps * weights[:, None])[:, free]
    inverse = np.linalg.pinv(inner.T @ inner + basis.penalty[np.ix_(free, free)] / _BEND)
    freedom = max(len(seen) - float(np.trace(inner @ inverse @ inner.T)), 1.0)
    left = (seen - basis.at_steps @ found) * weights
    covariance = np.zeros_like(basis.penalty)
    covariance[np.ix_(free, free)] = max(float(left @ left) / freedom, 1.0) * inverse
    residual = float(np.sqrt(np.mean((seen - basis.at_steps @ found) ** 2)))
    return _measured(basis, found, smooth, covariance, residual, base_density)


def _solved(basis: _Basis, seen: Float64, weights: Float64, smoother: float) -> Float64:
    """Return the coefficients that fit the steps best, none of the slopes negative."""
    from scipy.optimize import lsq_linear

    penalty = basis.penalty * (smoother / _BEND) + 1e-9 * np.eye(len(basis.penalty))
    rows = np.vstack([basis.at_steps * weights[:, None], np.linalg.cholesky(penalty).T])
    wanted = np.r_[seen * weights, np.zeros(len(penalty))]
    found: Float64 = lsq_linear(rows, wanted, (basis.lower, np.inf), method="bvls").x
    return found


def _measured(
    basis: _Basis,
    found: Float64,
    smooth: Float64,
    covariance: Float64,
    residual: float,
    base_density: float | None,
) -> ChannelCurve:
    """Return the curve with what is read off it."""
    rules = curve_rules()
    logs = np.linspace(basis.low, basis.high, _GRID)
    rows, slopes = basis.density_rows(logs), basis.slope_rows(logs) @ found
    density = np.maximum.accumulate(rows @ found)
    span = min(float(rules["contrast_range_log_h"]), basis.high - basis.low)
    starts = np.linspace(basis.low, basis.high - span, _GRID)
    rise = (basis.density_rows(starts + span) - basis.density_rows(starts)) / span
    errors = np.sqrt(np.maximum(((rise @ covariance) * rise).sum(axis=1), 0.0))
    # Steps that are hardly known, as in the deepest blacks of a scan, are no place to look.
    best = int(np.argmax(rise @ smooth - _DOUBT * errors))
    contrast = float(rise[best] @ found)
    start, end = float(starts[best]), float(starts[best] + span)
    # The curve bends at the next places outwards of its middle that are less steep.
    bent = np.nonzero(slopes < float(rules["straight_slope_share"]) * contrast)[0]
    below, above = np.split(bent, [np.searchsorted(bent, np.searchsorted(logs, (start + end) / 2))])
    toe, shoulder = (
        CurvePoint(float(logs[at[0]]), float(density[at[0]])) if len(at) else None
        for at in (below[-1:], above[:1])
    )
    if base_density is None and slopes[0] < float(rules["base_slope_share"]) * contrast:
        base_density = float(density[0])
    return ChannelCurve(
        log_exposure=tuple(logs.tolist()),
        density=tuple(density.tolist()),
        contrast=contrast,
        contrast_error=float(errors[best]),
        contrast_from=start,
        contrast_to=end,
        toe=toe,
        shoulder=shoulder,
        straight=not slopes[-1] > float(rules["still_steeper"]) * contrast,
        base_density=base_density,
        residual=residual,
    )
