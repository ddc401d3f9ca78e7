"""What the figures of the rolls tell along a batch: a falling line, and how sure it is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.bath import Batch, Use, bath_limits, rolls_before_each, rolls_done
from pipeline.bath_regression import Line, Mixture, Noise, Slope, fit_line
from pipeline.kinds import Triple

_LINE_STEPS = 40


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

    Attributes
    ----------
    batch, figure
        The batch's name; 'edge print' or 'contrast'.
    points
        The rolls measured, in the order they were developed.
    fall
        Probability density of the fall a roll, in natural logarithms of the figure.
    line
        Rolls done, and share at that: likeliest, lower and upper end of the interval.
    interval
        Probability that the interval holds the true share.
    spent_share
        Share at which a batch is spent.
    rolls_done
        Rolls that have gone through the batch.
    with_maker
        Whether the maker's stated life is part of it.
    """

    batch: str
    figure: str
    points: tuple[TrendPoint, ...]
    fall: Mixture
    line: tuple[tuple[float, float, float, float], ...]
    interval: float
    spent_share: float
    rolls_done: float
    with_maker: bool

    def share_at(self, rolls: float) -> Triple:
        """Return the share after so many rolls: likeliest, lower and upper end of its interval."""
        tail = (1.0 - self.interval) / 2.0
        likely, low, high = (
            math.exp(-self.fall.quantile(share) * rolls) for share in (0.5, 1.0 - tail, tail)
        )
        return likely, low, high


def trend(batch: Batch, uses: Sequence[Use], with_maker: bool = True) -> BathTrend | None:
    """Return the trend of a batch, or None where neither figures nor the maker tell one.

    Of one exposure, density above base is in proportion to the slope to which the film was
    developed, and so is contrast: a developer that wears takes the same share off both, on any
    film. So the line is fitted to logarithms, with a height for each film. Edge print is taken
    where as many rolls have it as have contrast, else contrast.

    Parameters
    ----------
    batch, uses
        The batch and its rolls, in the order they were entered.
    with_maker
        Start from the maker's stated number of rolls, where the user noted it. Without it the
        figures alone speak.
    """
    figure, readings = _readings(uses)
    limits, judging = bath_limits()["limits"], bath_limits()["judging"]
    maker = _maker_slope(batch) if with_maker else None
    if maker is None and len(readings) < judging["least_rolls"]:
        return None
    line = _fitted(readings, [math.log(np.mean(values)) for _, _, values in readings], maker)
    if line is None:
        return None
    slope = line.slope
    made = BathTrend(
        batch=batch.name,
        figure=figure,
        points=_points(readings, line, maker),
        fall=Mixture(slope.weights, -slope.centres, slope.spreads),
        line=(),
        interval=float(judging["interval"]),
        spent_share=1.0 - limits["spent_share"],
        rolls_done=rolls_done(uses),
        with_maker=maker is not None,
    )
    return _with_line(made, batch)


_Reading = tuple[Use, float, Triple]


def _readings(uses: Sequence[Use]) -> tuple[str, list[_Reading]]:
    """Return the figure that tells most, and each roll that has it with the rolls before it."""
    placed = rolls_before_each(uses)
    least = bath_limits()["judging"]["least_density"]
    found: dict[str, list[_Reading]] = {"edge print": [], "contrast": []}
    for use, before in placed:
        for figure, values in (("edge print", use.edge_print), ("contrast", use.contrast)):
            if values is not None:
                red, green, blue = (max(value, least) for value in values)
                found[figure].append((use, before, (red, green, blue)))
    figure = max(found, key=lambda name: len(found[name]))
    return figure, found[figure]


def _film(use: Use) -> str:
    return "" if use.film is None else use.film.casefold()


def _maker_slope(batch: Batch) -> Slope | None:
    """Return what the maker's stated number of rolls says of the fall a roll."""
    if batch.life_rolls is None:
        return None
    limits = bath_limits()
    fall = -math.log1p(-limits["limits"]["spent_share"]) / batch.life_rolls
    spread = limits["spread"]
    return Slope(-fall, spread["maker"] * fall, spread["maker_freedom"])


def _fitted(
    readings: Sequence[_Reading], logs: Sequence[float], maker: Slope | None
) -> Line | None:
    spread = bath_limits()["spread"]
    return fit_line(
        [before for _, before, _ in readings],
        logs,
        [_film(use) for use, _, _ in readings],
        noise=Noise(spread["roll"], spread["roll_weight"]),
        group_spread=spread["film"],
        slope=maker,
    )


def _points(
    readings: Sequence[_Reading], line: Line, maker: Slope | None
) -> tuple[TrendPoint, ...]:
    per_channel = []
    for channel in range(3):
        logs = [math.log(values[channel]) for _, _, values in readings]
        per_channel.append(_shares(readings, logs, _fitted(readings, logs, maker)))
    means = [float(np.mean(values)) for _, _, values in readings]
    shares = _shares(readings, [math.log(mean) for mean in means], line)
    return tuple(
        TrendPoint(use.roll, use.film or "", before, mean, share, (red, green, blue))
        for (use, before, _), mean, share, red, green, blue in zip(
            readings, means, shares, *per_channel, strict=True
        )
    )


def _shares(readings: Sequence[_Reading], logs: Sequence[float], line: Line | None) -> list[float]:
    """Return figures as shares of what the line says of a fresh batch, film by film."""
    if line is None:
        return [math.nan] * len(logs)
    return [
        math.exp(value - line.height - line.offsets[_film(use)])
        for value, (use, _, _) in zip(logs, readings, strict=True)
    ]


def _with_line(made: BathTrend, batch: Batch) -> BathTrend:
    last = max([made.rolls_done, *(point.rolls_before for point in made.points)])
    end = max(last * 1.5, last + 2.0, batch.life_rolls or 0.0)
    steps = np.linspace(0.0, end, _LINE_STEPS + 1).tolist()
    tail = (1.0 - made.interval) / 2.0
    likely, high, low = (made.fall.quantile(share) for share in (0.5, 1.0 - tail, tail))
    return replace(
        made,
        line=tuple(
            (step, math.exp(-likely * step), math.exp(-high * step), math.exp(-low * step))
            for step in steps
        ),
    )
