"""A straight line through few figures, with what is known beforehand, and how sure it is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Float64

# Steps of the scale of noise that is summed over, and its least and greatest against the likeliest.
_STEPS = 101
_LEAST, _GREATEST = 0.1, 60.0
# The same for the spread of a slope known beforehand, against what is said of it.
_SLOPE_STEPS = 25
_NARROWEST, _WIDEST = 0.3, 40.0


@dataclass(frozen=True)
class Mixture:
    """A probability density: normal ones, their weights summing to 1."""

    weights: Float64
    centres: Float64
    spreads: Float64

    def below(self, value: float) -> float:
        """Return the probability of being below a value."""
        from scipy.special import ndtr

        return float(self.weights @ ndtr((value - self.centres) / self.spreads))

    def quantile(self, share: float) -> float:
        """Return the value below which lies this share, 0 to 1 exclusive, of the probability."""
        from scipy.optimize import brentq

        reach = 1.0
        low, high = float(self.centres.min()), float(self.centres.max())
        widest = float(self.spreads.max())
        while self.below(low - reach * widest) > share or self.below(high + reach * widest) < share:
            reach *= 2.0
        bounds = (low - reach * widest, high + reach * widest)
        return float(brentq(lambda value: self.below(value) - share, *bounds, xtol=1e-12))


@dataclass(frozen=True)
class Noise:
    """What is known beforehand of one figure's scatter: its size, and its weight in figures."""

    size: float
    weight: float


@dataclass(frozen=True)
class Slope:
    """What is known beforehand of the slope: Student's t of this centre, scale and freedom.

    Unlike a normal density its tails let the figures speak where they contradict it.
    """

    centre: float
    spread: float
    freedom: float


@dataclass(frozen=True)
class Line:
    """A line fitted: `slope` as a probability, `height` at zero, and each group's own `offsets`."""

    slope: Mixture
    height: float
    offsets: dict[str, float]


def fit_line(
    x: Sequence[float],
    y: Sequence[float],
    groups: Sequence[str],
    *,
    noise: Noise,
    group_spread: float,
    slope: Slope | None = None,
) -> Line | None:
    """Return the line through figures that scatter normally, or None where nothing tells a slope.

    Each group of figures lies off the line by an amount of its own, normal with `group_spread`,
    so that within a group only differences count fully. The height is not known beforehand; nor
    is the slope, unless `slope` is given. The size of the scatter is summed over, with a scaled
    inverse chi-squared density beforehand: with one group and no knowledge this is ordinary least
    squares and Student's t (Gelman and others, Bayesian Data Analysis, chapter 14; general least
    squares as in any handbook).

    Parameters
    ----------
    x, y
        The figures.
    groups
        The group of each figure.
    noise, group_spread, slope
        What is known beforehand, in units of y, and of y by x.
    """
    places, values = np.asarray(x, np.float64), np.asarray(y, np.float64)
    if len(set(places.tolist())) < 2:
        return None if slope is None else _without_slope(places, values, groups, slope)
    scatter = _scatter(places, values, groups)
    sizes = _noise_sizes(scatter, noise, float(np.abs(values).max()))
    fits = _at_noise(sizes, scatter, group_spread, slope)
    log_weights = fits.log_likelihood + _log_scale_density(sizes / noise.size, noise.weight)
    if slope is not None:
        scales = _slope_scales()
        log_weights = log_weights + _log_scale_density(scales, slope.freedom)[:, None]
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    offsets = np.einsum("ks,ksg->g", weights, fits.offsets)
    return Line(
        Mixture(weights.ravel(), fits.slope.ravel(), fits.slope_spread.ravel()),
        float(np.sum(weights * fits.height)),
        dict(zip(scatter.names, offsets.tolist(), strict=True)),
    )


def _log_scale_density(scale: Float64, freedom: float) -> Float64:
    """Return the logarithm of the scaled inverse chi-squared density of ln(scale), but for a sum.

    Normal densities of spreads that are so distributed make up Student's t.
    """
    return -freedom * np.log(scale) - 0.5 * freedom / scale**2


def _slope_scales() -> Float64:
    return np.geomspace(_NARROWEST, _WIDEST, _SLOPE_STEPS)


@dataclass(frozen=True)
class _Scatter:
    """Sums over figures (1, x, y): `within` groups about their means, and the means by group."""

    names: tuple[str, ...]
    counts: Float64
    means: Float64
    within: Float64


def _scatter(places: Float64, values: Float64, groups: Sequence[str]) -> _Scatter:
    names, which = np.unique(np.asarray(groups), return_inverse=True)
    rows = np.column_stack([np.ones_like(places), places, values])
    counts = np.bincount(which).astype(np.float64)
    sums = np.zeros((len(names), 3))
    np.add.at(sums, which, rows)
    means = sums / counts[:, None]
    left = rows - means[which]
    return _Scatter(tuple(map(str, names)), counts, means, left.T @ left)


@dataclass(frozen=True)
class _Fits:
    """The line for each spread of the slope and size of noise, and how likely that makes it all.

    Arrays have shape (spreads, sizes); `offsets` also (..., groups).
    """

    log_likelihood: Float64
    height: Float64
    slope: Float64
    slope_spread: Float64
    offsets: Float64


def _at_noise(sizes: Float64, scatter: _Scatter, group_spread: float, slope: Slope | None) -> _Fits:
    """Solve the normal equations; figures of a group share its offset's variance.

    The inverse of their covariance weighs differences within a group by the noise alone, and the
    group's mean by noise and offset together.
    """
    variance = sizes[:, None] ** 2 + scatter.counts * group_spread**2
    weights = scatter.counts / variance
    sums = scatter.within / sizes[:, None, None] ** 2
    sums = (sums + np.einsum("sg,gi,gj->sij", weights, scatter.means, scatter.means))[None]
    log_cover = 2.0 * (scatter.counts.sum() - len(scatter.counts)) * np.log(sizes)
    log_cover = (log_cover + np.log(variance).sum(axis=1))[None]
    if slope is not None:
        spreads = slope.spread * _slope_scales()[:, None]
        sums = np.repeat(sums, _SLOPE_STEPS, axis=0)
        sums[..., 1, 1] += spreads**-2
        sums[..., 1, 2] += slope.centre / spreads**2
        sums[..., 2, 2] += (slope.centre / spreads) ** 2
        log_cover = log_cover + 2.0 * np.log(spreads)
    normal, right = sums[..., :2, :2], sums[..., :2, 2]
    found = np.linalg.solve(normal, right[..., None])[..., 0]
    unexplained = sums[..., 2, 2] - np.sum(right * found, axis=-1)
    left = scatter.means[:, 2] - found @ scatter.means[:, :2].T
    return _Fits(
        -0.5 * (log_cover + np.linalg.slogdet(normal)[1] + unexplained),
        found[..., 0],
        found[..., 1],
        np.sqrt(np.linalg.inv(normal)[..., 1, 1]),
        group_spread**2 * weights * left,
    )


def _noise_sizes(scatter: _Scatter, noise: Noise, largest: float) -> Float64:
    """Return the sizes of noise to sum over, about what is left once line and groups are free."""
    across, both, left = scatter.within[1, 1], scatter.within[1, 2], scatter.within[2, 2]
    free = len(scatter.names)
    if across > 0.0:
        left, free = max(left - both**2 / across, 0.0), free + 1
    weight = max(noise.weight + float(scatter.counts.sum()) - free, 1.0)
    likely = math.sqrt((noise.weight * noise.size**2 + left) / weight)
    likely = max(likely, 1e-6 * largest, 1e-9)
    return np.geomspace(_LEAST * likely, _GREATEST * likely, _STEPS)


def _without_slope(places: Float64, values: Float64, groups: Sequence[str], slope: Slope) -> Line:
    scales = _slope_scales()
    weights = np.exp(_log_scale_density(scales, slope.freedom))
    known = Mixture(
        weights / weights.sum(), np.full_like(scales, slope.centre), slope.spread * scales
    )
    height = float((values - slope.centre * places).mean()) if len(values) else 0.0
    return Line(known, height, dict.fromkeys(groups, 0.0))
