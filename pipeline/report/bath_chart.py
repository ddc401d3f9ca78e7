"""The trend of a batch as a drawing: rolls, line, band and the share at which it is spent."""

import math
from typing import Any

import numpy as np

from pipeline.bath import BathTrend, chart_text
from pipeline.report import plot
from pipeline.words import percent, printable

_WIDTH, _HEIGHT = 680, 340
_LEFT, _RIGHT, _TOP, _FOOT = 52, 532, 48, 294
_MOST_SHARE = 1.5
_MOST_LETTERS = 80
_APART_PX = 9.0
_INK: dict[str, Any] = {"color": plot.INK, "clip_on": False}
_MEAN = _INK | {"linestyle": "none", "marker": "_", "markersize": 22, "markeredgewidth": 3}
_FIT = _INK | {"linewidth": 2}
_SPENT = _INK | {"linewidth": 1.5, "linestyle": (0, (4.7, 2.7))}


def trend_plot(made: BathTrend) -> plot.Plot:
    """Return the plot of a trend, in shares of what a fresh batch gives.

    A circle, a square and a triangle are a roll's red, green and blue, a bar their mean; the line
    is the likeliest course, the band its interval, the broken line the share at which the batch
    is spent. Rolls of several films stand in one drawing so.
    """
    title = f"{made.figure.capitalize()} along batch {printable(made.batch)}"
    short = title[: _MOST_LETTERS - 1] + "\N{HORIZONTAL ELLIPSIS}"
    heading = title if len(title) <= _MOST_LETTERS else short
    return plot.Plot(title, chart_text(made), _WIDTH, _HEIGHT, made, _draw, heading, _LEFT)


def _draw(figure: "plot.Figure", made: BathTrend) -> None:
    axes = plot.panel(figure, _LEFT, _TOP, _RIGHT, _FOOT)
    rolls, *shares = np.array(made.line).T
    # A little room for the marks of the first roll.
    axes.set(xlim=(-0.03 * rolls[-1], rolls[-1]), ylim=_range(made), xlabel="rolls done before")
    axes.locator_params(steps=(1, 2, 5, 10), nbins=8)
    axes.xaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_major_formatter(lambda share, _: percent(share))
    likely, low, high = np.clip(shares, *axes.get_ylim())
    band = [*rolls, *rolls[::-1]], [*low, *high[::-1]]
    axes.fill(*band, color=plot.INK, alpha=0.12, linewidth=0, gid=".band")
    axes.plot(rolls, likely, **_FIT, gid=".fit")
    axes.axhline(made.spent_share, **_SPENT, gid=".spent")
    now = min(made.rolls_done, rolls[-1])
    axes.axvline(now, color=plot.SOFT, linewidth=1, linestyle=(0, (2, 3)), gid=".now")
    axes.annotate("now", (now, 1), (0, 4), plot.ACROSS, "offset points", ha="center")
    _draw_rolls(axes, made)
    plot.key(figure, _RIGHT + 16, _TOP, plot.MARKS | {
        "mean": _MEAN | {"markersize": 16}, "likeliest": _FIT,
        f"{percent(made.interval)} interval": _INK | {"linewidth": 10, "alpha": 0.12},
        "spent": _SPENT,
    })  # fmt: skip


def _draw_rolls(axes: "plot.Axes", made: BathTrend) -> None:
    first, last = axes.get_xlim()
    for point in made.points:
        said = printable(f"roll {point.roll}: {point.value:.2f}, {percent(point.share)} of fresh")
        shares = np.clip([point.share, *point.channel_shares], *axes.get_ylim())
        x = min(point.rolls_before, last)
        axes.plot(x, shares[0], **_MEAN, gid=f".mean {said}")
        for channel, (name, look) in enumerate(plot.MARKS.items()):
            beside = x + (channel - 1) * _APART_PX * (last - first) / (_RIGHT - _LEFT)
            axes.plot(beside, shares[channel + 1], **look, gid=f".mark.{name} {said}")


def _range(made: BathTrend) -> tuple[float, float]:
    """Return the twentieths between which the shares lie, as far as they are believable."""
    shares = [share for point in made.points for share in (point.share, *point.channel_shares)]
    shares += [made.spent_share, 1.0, *(share for _, share, _, _ in made.line)]
    inside = [min(max(share, 0.0), _MOST_SHARE) for share in shares if math.isfinite(share)]
    low = max(math.floor(min(inside) * 20.0 - 0.5) / 20.0, 0.0)
    return low, math.ceil(max(inside) * 20.0 + 0.5) / 20.0
