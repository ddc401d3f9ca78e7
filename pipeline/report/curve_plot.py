"""Plot of a film's characteristic curve: density against log10 exposure."""

from typing import Any

from pipeline.densities import FilmCurve
from pipeline.kinds import CHANNELS
from pipeline.report import plot
from pipeline.words import printable

_WIDTH, _HEIGHT = 640, 420
_LEFT, _RIGHT, _TOP, _FOOT = 52, 616, 28, 372
_END: dict[str, Any] = {
    "linestyle": "none", "marker": "|", "markersize": 20, "markeredgewidth": 2.4,
}  # fmt: skip
_SPEED: dict[str, Any] = {
    "linestyle": "none", "marker": "+", "markersize": 14, "markeredgewidth": 1.6,
}  # fmt: skip
_SLOPE: dict[str, Any] = {"linewidth": 4.5, "alpha": 0.28}


def film_curve_plot(curve: FilmCurve) -> plot.Plot:
    """Return the plot of a curve, with its steps, toe, shoulder, speed points and contrast."""
    slopes = ", ".join(
        f"{name} {value:.2f}" for name, value in zip(CHANNELS, curve.contrast, strict=True)
    )
    frames = f" on {'frame' if len(curve.frames) == 1 else 'frames'} {', '.join(curve.frames)}"
    where = frames if curve.frames else ""
    title = f"Characteristic curve from the {curve.how}{where}: contrast {slopes}"
    return plot.Plot(printable(title), "", _WIDTH, _HEIGHT, curve, _draw)


def _draw(figure: "plot.Figure", curve: FilmCurve) -> None:
    axes = plot.panel(figure, _LEFT, _TOP, _RIGHT, _FOOT)
    ends = [end for one in curve.channels for end in (one.log_exposure[0], one.log_exposure[-1])]
    values = [value for row in curve.density for value in row]
    values += [value for one in curve.channels for value in one.density]
    plot.halves(axes, "x", min(*curve.log_exposure, *ends), max(*curve.log_exposure, *ends))
    plot.halves(axes, "y", 0.0 if min(values) > -0.06 else min(values), max(0.0, *values))
    axes.set_xlabel(printable(curve.scale))
    axes.grid(True)
    axes.annotate("density", (0, 1), (0, 9), "axes fraction", "offset points", ha="center")
    for channel in range(3):
        _draw_channel(axes, curve, channel)
    looks = {
        "toe and shoulder": _END | {"markersize": 12},
        "speed point": _SPEED,
        "contrast": _SLOPE,
    }
    # In the upper left corner, where no curve runs.
    plot.key(figure, _LEFT + 10, _TOP + 8, {
        **{name: _steps(channel) | _line(channel) for channel, name in enumerate(CHANNELS)},
        **{word: look | {"color": plot.SOFT} for word, look in looks.items()},
    })  # fmt: skip


def _draw_channel(axes: "plot.Axes", curve: FilmCurve, channel: int) -> None:
    one, name, colour = curve.channels[channel], CHANNELS[channel], plot.COLOURS[channel]
    look: dict[str, Any] = {"color": colour, "clip_on": False}
    axes.plot(one.log_exposure, one.density, **_line(channel), **look, gid=f".line.{name}")
    start = one.density_at(one.contrast_from)
    first = one.density[0] if start is None else start
    last = first + one.contrast * (one.contrast_to - one.contrast_from)
    slope = (one.contrast_from, one.contrast_to), (first, last)
    axes.plot(*slope, **_SLOPE, **look, gid=f".slope.{name}")
    steps = [row[channel] for row in curve.density]
    axes.plot(curve.log_exposure, steps, **_steps(channel), gid=f".step.{name}")
    for kind, at in (("toe", one.toe), ("shoulder", one.shoulder)):
        if at is not None:
            axes.plot(at.log_exposure, at.density, **_END, **look, gid=f".{kind}.{name}")
    speed = curve.speed.log_exposure[channel]
    density = None if speed is None else one.density_at(speed)
    if speed is not None and density is not None:
        axes.plot(speed, density, **_SPEED, **look, gid=f".speed.{name}")


def _line(channel: int) -> dict[str, Any]:
    return {"linestyle": plot.DASHES[channel], "linewidth": 1.8}


def _steps(channel: int) -> dict[str, Any]:
    hollow = {"markerfacecolor": plot.PAPER, "markeredgewidth": 1.4}
    colour = {"markeredgecolor": plot.COLOURS[channel]}
    return plot.MARKS[CHANNELS[channel]] | hollow | colour
