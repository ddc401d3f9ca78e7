"""What the figures of the rolls tell along a batch: a falling line, and how sure it is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from pipeline.bath.batch import Batch, Use, bath_limits, rolls_before_each, rolls_done
from pipeline.kinds import Triple, as_triple

_LINE_STEPS = 40
# Quantiles of each of two densities between which their product is taken as level.
_STEPS = 1000
# A gain beyond this many natural logarithms says no more; its exponential stays a number.
_MOST_GAIN = 50.0


@dataclass(frozen=True)
class Line:
    """A line fitted: the `slope` as a distribution of scipy.stats, and each group's `heights`."""

    slope: Any
    heights: dict[str, float]


def fit_line(
    x: Sequence[float],
    y: Sequence[float],
    groups: Sequence[str],
    *,
    noise: float,
    noise_weight: float,
    slope: Any = None,
) -> Line | None:
    """Return the line through figures, each group at its own height; None: nothing tells a slope.

    Least squares about each group's means, with Student's t for the slope. What is known beforehand
    of the scatter, `noise` in units of y, counts as `noise_weight` figures more (a scaled inverse
    chi-squared density); what is known of the slope, a distribution of scipy.stats in units of y by
    x, comes in by Bayes' rule (Gelman and others, Bayesian Data Analysis, chapters 2 and 14).
    """
    from scipy import stats

    places, values = np.asarray(x, np.float64), np.asarray(y, np.float64)
    names, which = np.unique(np.asarray(groups, np.str_), return_inverse=True)
    counts = np.bincount(which)
    x_means, y_means = np.bincount(which, places) / counts, np.bincount(which, values) / counts
    x_left, y_left = places - x_means[which], values - y_means[which]
    across = float(x_left @ x_left)
    if across > 1e-9:
        likely = float(x_left @ y_left) / across
        unexplained = float(np.sum((y_left - likely * x_left) ** 2)) + noise_weight * noise**2
        freedom = noise_weight + len(places) - len(names) - 1
        told = stats.t(freedom, likely, math.sqrt(unexplained / freedom / across))
        slope = told if slope is None else _product(slope, told)
    if slope is None:
        return None
    heights = y_means - float(slope.median()) * x_means
    return Line(slope, dict(zip(names.tolist(), heights.tolist(), strict=True)))


def _product(one: Any, other: Any) -> Any:
    """Return the distribution whose density is in proportion to both densities' product."""
    from scipy import stats

    shares = (np.arange(_STEPS) + 0.5) / _STEPS
    edges = np.unique([one.ppf(shares), other.ppf(shares)])
    middles = (edges[1:] + edges[:-1]) / 2.0
    logs = one.logpdf(middles) + other.logpdf(middles)
    return stats.rv_histogram((np.exp(logs - logs.max()), edges), density=True)


@dataclass(frozen=True)
class TrendPoint:
    """A roll's figure; `share` is of a fresh batch's (1.0 = fresh), the mean of the channels'.

    `channel_shares` are those of red, green and blue, each against its own line; `value` is the
    figure itself, the mean of its channels.
    """

    roll: str
    film: str
    rolls_before: float
    value: float
    share: float
    channel_shares: Triple


@dataclass(frozen=True)
class BathTrend:
    """How a figure falls along the rolls of a batch, as shares of what a fresh batch gives.

    `figure` is 'edge print' or 'contrast', `points` are the rolls measured, in the order they were
    developed. `fall` is the fall a roll, in natural logarithms of the figure, as a distribution of
    scipy.stats; `interval` the probability that the interval holds the true share, and
    `spent_share` the one at which a batch is spent. `maker_rolls` is the maker's stated number of
    rolls where it is part of the trend, else None.
    """

    batch: str
    figure: str
    points: tuple[TrendPoint, ...]
    fall: Any
    interval: float
    spent_share: float
    rolls_done: float
    maker_rolls: float | None

    @cached_property
    def falls(self) -> Triple:
        """The fall a roll: likeliest, lower and upper end of its interval."""
        tail = (1.0 - self.interval) / 2.0
        likely, low, high = map(float, self.fall.ppf((0.5, tail, 1.0 - tail)))
        return likely, low, high

    def share_at(self, rolls: float) -> Triple:
        """Return the share after so many rolls: likeliest, lower and upper end of its interval."""
        likely, low, high = self.falls
        return _share_left(likely * rolls), _share_left(high * rolls), _share_left(low * rolls)

    @property
    def line(self) -> tuple[tuple[float, float, float, float], ...]:
        """Rolls done, and share at that: likeliest, lower and upper end of the interval."""
        last = max([self.rolls_done, *(point.rolls_before for point in self.points)])
        end = max(last * 1.5, last + 2.0, self.maker_rolls or 0.0)
        steps = np.linspace(0.0, end, _LINE_STEPS + 1).tolist()
        return tuple((rolls, *self.share_at(rolls)) for rolls in steps)


def trend(batch: Batch, uses: Sequence[Use], with_maker: bool = True) -> BathTrend | None:
    """Return the trend of a batch, or None where neither figures nor the maker tell one.

    Of one exposure, density above base is in proportion to the slope to which the film was
    developed, and so is contrast: a developer that wears takes the same share off both, on any
    film. So the line is fitted to logarithms, with a height for each film. Edge print is taken
    where as many rolls have it as have contrast, else contrast.

    `uses` are in the order they were entered. It starts from the maker's stated number of rolls,
    where the user noted it; without `with_maker` the figures alone speak.
    """
    figure, readings = _readings(uses)
    limits, judging = bath_limits()["limits"], bath_limits()["judging"]
    maker_rolls = batch.life_rolls if with_maker else None
    if maker_rolls is None and len(readings) < judging["least_rolls"]:
        return None
    means = [float(np.mean(values)) for _, _, values in readings]
    fall, shares = _shares(readings, means, maker_rolls)
    if fall is None:
        return None
    channels = [
        _shares(readings, [values[channel] for _, _, values in readings], maker_rolls)[1]
        for channel in range(3)
    ]
    points = tuple(
        TrendPoint(use.roll, use.film or "", before, mean, share, (red, green, blue))
        for (use, before, _), mean, share, red, green, blue in zip(
            readings, means, shares, *channels, strict=True
        )
    )
    return BathTrend(
        batch.name, figure, points, fall, float(judging["interval"]),
        1.0 - limits["spent_share"], rolls_done(uses), maker_rolls,
    )  # fmt: skip


_Reading = tuple[Use, float, Triple]


def _readings(uses: Sequence[Use]) -> tuple[str, list[_Reading]]:
    """Return the figure that tells most, and each roll that has it with the rolls before it."""
    least = bath_limits()["judging"]["least_density"]
    found: dict[str, list[_Reading]] = {"edge print": [], "contrast": []}
    for use, before in rolls_before_each(uses):
        for figure, values in (("edge print", use.edge_print), ("contrast", use.contrast)):
            if values is not None:
                held = as_triple(max(value, least) for value in values)
                found[figure].append((use, before, held))
    figure = max(found, key=lambda name: len(found[name]))
    return figure, found[figure]


def _shares(
    readings: Sequence[_Reading], values: Sequence[float], maker_rolls: float | None
) -> tuple[Any, list[float]]:
    """Return the fall a roll, and figures as shares of a fresh batch's, film by film.

    No fall, None, and no shares where nothing tells one.
    """
    spread = bath_limits()["spread"]
    films = [(use.film or "").casefold() for use, _, _ in readings]
    losses = [-math.log(value) for value in values]
    # Each film beyond the first takes a roll for its own height.
    telling = len(films) - len(set(films)) + 1 if films else 0
    line = fit_line(
        [before for _, before, _ in readings], losses, films,
        noise=spread["roll"], noise_weight=spread["roll_weight"],
        slope=None if maker_rolls is None else fall_of_maker(maker_rolls, telling),
    )  # fmt: skip
    if line is None:
        return None, []
    shares = [
        _share_left(loss - line.heights[film]) for film, loss in zip(films, losses, strict=True)
    ]
    return line.slope, shares


def _share_left(loss: float) -> float:
    return math.exp(min(-loss, _MOST_GAIN))


def fall_of_maker(rolls: float, measured: int = 0) -> Any:
    """Return what the maker's stated number of rolls says of the fall a roll, a distribution.

    Where enough rolls are measured to tell for themselves it is wide, so that they prevail.
    """
    from scipy import stats

    limits, spread = bath_limits()["limits"], bath_limits()["spread"]
    fall = -math.log1p(-limits["spent_share"]) / rolls
    if measured >= bath_limits()["judging"]["least_rolls"]:
        return stats.lognorm(spread["maker_in_use"], scale=fall)
    return stats.t(spread["maker_freedom"], fall, spread["maker"] * fall)
