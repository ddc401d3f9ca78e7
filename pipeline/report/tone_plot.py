"""Plot of a roll's tones: how its prints show scene light, and how many pixels came out how."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.kinds import CHANNELS, Float64, Whole
from pipeline.report import plot
from pipeline.report.roll_page import Drawing
from pipeline.report.words import figure_text

_LEFT, _TOP, _FOOT, _HEIGHT = 44, 52, 262, 312
_CURVE_WIDE, _SHARES_WIDE, _APART, _RIGHT = 250, 210, 36, 24
_CODES, _CODES_A_STEP = 256, 4
_TICKS = (0, 64, 128, 192, 255)
_RANGES = ((0, 0), (1, 63), (64, 127), (128, 191), (192, 254), (255, 255))
_TOLD_STOPS = (-4, -2, 0, 2, 4)


@dataclass(frozen=True)
class Tones:
    """How light the pictures of a roll came out.

    `counts` (3, 256) are pixels of the pictures with each 8-bit sRGB display value. `shown` (n, 3)
    are display values 0 to 1 of greys so many `stops` (n), rising, from middle grey; None where no
    curve was laid over the light.
    """

    counts: Whole
    stops: Float64
    shown: Float64 | None = None


def tone_drawing(tones: Tones) -> Drawing | None:
    """Return the plot of a roll's tones with its figures, None where there is no pixel."""
    counts = np.asarray(tones.counts, float)
    if not counts.any():
        return None
    shares = counts / counts.sum(axis=1, keepdims=True)
    lines = _channels(shares)
    rows = tuple(
        (
            f"{low}" if low == high else f"{low} to {high}",
            *(figure_text(100.0 * share[low : high + 1].sum(), 1) for share in lines.values()),
        )
        for low, high in _RANGES
    )
    head = ("display value", *(f"{name}, %" for name in lines))
    title = "Tones of the pictures" if tones.shown is None else "Print curve and tones"
    return Drawing(title, _plot(tones, shares), _note(tones), head, rows)


def _plot(tones: Tones, shares: Float64) -> plot.Plot:
    wide, text = _SHARES_WIDE, "Shares of pixels by display value, as in the table."
    if tones.shown is not None:
        wide += _CURVE_WIDE + _APART
        text = f"On the left, display value over stops of scene light. On the right: {text}"
    title = "How light the pictures came out"
    return plot.Plot(title, text, _LEFT + wide + _RIGHT, _HEIGHT, (tones, shares), _draw)


def _note(tones: Tones) -> str:
    """Return in words what display values mean, and what the curve shows."""
    said = (
        "Display values are those of the small pictures on this page, in sRGB: 0 is black, 255 is "
        "white. Many pixels at 0 or 255 are tones lost in black or white."
    )
    if tones.shown is None:
        return said
    shown = [
        np.interp(_TOLD_STOPS, tones.stops, values) for values in _channels(tones.shown.T).values()
    ]
    told = ", ".join(
        f"{' / '.join(f'{255.0 * value:.0f}' for value in values)} at {_stops_text(stop)}"
        for stop, *values in zip(_TOLD_STOPS, *shown, strict=True)
    )
    return f"{said} The print curve shows greys as {told}."


def _stops_text(stop: int) -> str:
    if stop == 0:
        return "middle grey"
    return f"{abs(stop)} stops {'over' if stop > 0 else 'under'}"


def _draw(figure: "plot.Figure", shown: tuple[Tones, Float64]) -> None:
    tones, shares = shown
    left = _LEFT
    if tones.shown is not None:
        axes = _panel(figure, left, _CURVE_WIDE, "Print curve: display value")
        _draw_curve(axes, tones.stops, tones.shown)
        left += _CURVE_WIDE + _APART
    axes = _panel(figure, left, _SHARES_WIDE, "Pixels by display value")
    _draw_shares(axes, shares)
    lines = _channels(shares)
    if len(lines) > 1:
        plot.key(figure, _LEFT, 8, {name: _look(name) for name in lines}, columns=3)
    if tones.shown is not None:
        axes.set_yticklabels([])


def _panel(figure: "plot.Figure", left: float, wide: float, title: str) -> "plot.Axes":
    axes = plot.panel(figure, left, _TOP, left + wide, _FOOT, title)
    axes.set(ylim=(0, _CODES - 1), yticks=_TICKS)
    axes.grid(True)
    return axes


def _draw_curve(axes: "plot.Axes", stops: Float64, shown: Float64) -> None:
    axes.set(xlim=(stops[0], stops[-1]), xlabel="stops of scene light from middle grey")
    axes.set_xticks(np.arange(np.ceil(stops[0] / 2.0) * 2.0, stops[-1] + 0.1, 2.0))
    axes.xaxis.set_major_formatter(lambda stop, _: f"{stop:+z.0f}" if stop else "0")
    for name, values in _channels(shown.T).items():
        axes.plot(stops, 255.0 * values, **_look(name), clip_on=False, gid=f".curve.{name}")


def _draw_shares(axes: "plot.Axes", shares: Float64) -> None:
    """Draw shares by steps of values; pure black and white alone may run out at the side."""
    steps = 100.0 * shares.reshape(3, -1, _CODES_A_STEP).sum(axis=2)
    edges = np.linspace(0.0, _CODES - 1, steps.shape[1] + 1)
    most = float(steps[:, 1:-1].max()) or float(steps.max())
    axes.set(xlim=(0.0, 1.05 * most), xlabel="% of pixels, by steps of 4")
    axes.locator_params(axis="x", steps=(1, 2, 5, 10), nbins=4)
    axes.xaxis.set_major_formatter("{x:g}")
    for name, values in _channels(np.minimum(steps, 1.05 * most)).items():
        colour = _look(name)["color"]
        side: dict[str, Any] = {"orientation": "horizontal", "gid": f".share.{name}"}
        axes.stairs(values, edges, fill=True, color=colour, alpha=0.14, linewidth=0, **side)
        axes.stairs(values, edges, **_look(name), **side)


def _channels(values: Float64) -> Mapping[str, Float64]:
    """Return rows (3, n) by their channels, or one of grey where they are alike."""
    if (values == values[:1]).all():
        return {"grey": values[0]}
    return dict(zip(CHANNELS, values, strict=True))


def _look(name: str) -> dict[str, Any]:
    """Return the line of a channel, told apart without colour by its dashes."""
    if name == "grey":
        return {"color": plot.INK, "linewidth": 1.6}
    channel = CHANNELS.index(name)
    return {
        "color": plot.COLOURS[channel], "linewidth": 1.6, "linestyle": plot.DASHES[channel],
    }  # fmt: skip
