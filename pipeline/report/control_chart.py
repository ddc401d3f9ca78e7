"""Control chart: deviations of control strips from their aim, with the limits."""

import math
from collections.abc import Iterator, Sequence
from typing import Any

from pipeline.control import (
    BEYOND_CONTROL,
    IN_CONTROL,
    QUANTITIES,
    TITLES,
    ControlSeries,
    Deviation,
    Limit,
    control_limits,
    date_text,
    deviation_text,
    state_of,
)
from pipeline.kinds import CHANNELS
from pipeline.report import plot
from pipeline.words import counted, printable

# More strips than these are not told apart at a glance; the latest are shown.
MOST_STRIPS = 60
_LEFT, _RIGHT, _TOP, _FOOT = 24, 190, 90, 32
_PANEL, _GAP, _LEAST_WIDTH = 140, 38, 400
_SLOT_LEAST, _SLOT_MOST, _USUAL_WIDTH = 18.0, 56.0, 720.0
_APART, _LETTER, _LINE = 4.0, 7.0, 13.0
_LINES: dict[str, dict[str, Any]] = {
    "aim": {"color": plot.INK, "linewidth": 1},
    "action": {"color": plot.SOFT, "linewidth": 1, "linestyle": (0, (5, 4))},
    "control": {"color": plot.SOFT, "linewidth": 1.5},
    "batch": {"color": plot.SOFT, "linewidth": 1, "linestyle": (0, (1, 4))},
}
_RING: dict[str, Any] = {
    "linestyle": "none", "marker": "o", "markersize": 14, "markerfacecolor": "none",
    "markeredgecolor": plot.INK, "markeredgewidth": 1.5, "zorder": 4, "clip_on": False,
}  # fmt: skip


def control_plot(series: ControlSeries) -> plot.Plot:
    """Return the chart of a series, a panel for each quantity that was read.

    A ring is around readings beyond the action limit, two around those beyond the control limit.
    """
    shown = series.deviations[-MOST_STRIPS:]
    heading = f"{counted(len(shown), 'control strip')}: density less aim"
    if len(shown) < len(series.deviations):
        heading += f", the latest of {len(series.deviations)}"
    heading += " (the first strip stands for the aim)" * series.aim_is_first
    width = _LEFT + max(_slot(shown) * len(shown), _LEAST_WIDTH) + _RIGHT
    height = _TOP - _GAP + max(1, len(_read(shown))) * (_PANEL + _GAP) + _FOOT
    text = _text(heading, shown)
    return plot.Plot("Control chart", text, width, height, shown, _draw, heading, _LEFT)


def _draw(figure: "plot.Figure", shown: Sequence[Deviation]) -> None:
    ring = {"ring: beyond action, two: control": _RING}
    plot.key(figure, _LEFT, 30, plot.MARKS | ring, columns=4)
    right, slot = figure.get_figwidth() * figure.dpi - _RIGHT, _slot(shown)
    places = [slot * (index + 0.5) for index in range(len(shown))]
    for index, quantity in enumerate(_read(shown)):
        top = _TOP + index * (_PANEL + _GAP)
        axes = plot.panel(figure, _LEFT, top, right, top + _PANEL, TITLES[quantity])
        # Across, panels are measured in px.
        axes.set(xlim=(0, right - _LEFT), xticks=[], yticks=[])
        for start, label in _batches(shown, slot, right - _LEFT):
            axes.axvline(start, **_LINES["batch"], gid=".batch")
            axes.annotate(label * (index == 0), (start, 1), (3, 24), plot.ACROSS, "offset points")
        limit = control_limits().of[quantity]
        _draw_limits(axes, limit, [each.of(quantity) for each in shown])
        for channel in range(3):
            values = [each.of(quantity)[channel] for each in shown]
            _draw_readings(axes, limit, channel, places, values)
    for axes in figure.axes[-1:]:
        texts = _labels(shown)
        step = math.ceil((max(map(len, texts)) * _LETTER + 6.0) / slot)
        axes.set_xticks(places[::step], texts[::step])


def _draw_limits(axes: "plot.Axes", limit: Limit, values: Sequence[Sequence[float]]) -> None:
    known = [value for triple in values for value in triple if math.isfinite(value)]
    high = 1.25 * max([limit.control, *known])
    low = 1.25 * min([-limit.control if limit.both_ways else -0.4 * limit.control, *known])
    axes.set_ylim(low, high)
    for kind, value, label in _limit_lines(limit, _PANEL / (high - low)):
        axes.axhline(value, **_LINES[kind], gid=f".{kind}")
        axes.annotate(label, (1, value), (6, 0), plot.UPWARD, "offset points", va="center")


def _draw_readings(
    axes: "plot.Axes", limit: Limit, channel: int, places: Sequence[float], values: Sequence[float]
) -> None:
    name, colour = CHANNELS[channel], plot.COLOURS[channel]
    x = [place + _APART * (channel - 1) for place in places]
    axes.plot(x, values, color=colour, linewidth=1.2, alpha=0.7, gid=f".trace.{name}")
    axes.plot(x, values, **plot.MARKS[name], gid=f".mark.{name}")
    states = [state_of(value, limit) for value in values]
    inner = [state != IN_CONTROL for state in states]
    outer = [state == BEYOND_CONTROL for state in states]
    axes.plot(x, values, **_RING, markevery=inner, gid=".ring")
    axes.plot(x, values, **_RING | {"markersize": 19}, markevery=outer, gid=".ring")


def _limit_lines(limit: Limit, px: float) -> Iterator[tuple[str, float, str]]:
    """Yield aim and limits, `px` a density; where lines lie close, one label stands for both."""
    yield "aim", 0.0, "aim"
    for way in (1.0, -1.0) if limit.both_ways else (1.0,):
        action, control = way * limit.action, way * limit.control
        of_action, of_control = f"action {action:+z.2f}", f"control {control:+z.2f}"
        if px * min(abs(action - control), abs(action)) < _LINE:
            of_control, of_action = f"{of_control}, {of_action}", ""
        yield "action", action, of_action
        # Beside far larger deviations all lines fall into one.
        yield "control", control, of_control if px * abs(control) >= _LINE else ""


def _labels(shown: Sequence[Deviation]) -> list[str]:
    """Return month and day, else the strip's name."""
    texts = [
        each.reading.date.strftime("%m-%d") if each.reading.date else printable(each.reading.strip)
        for each in shown
    ]
    return [text if len(text) <= 8 else text[:7] + "\N{HORIZONTAL ELLIPSIS}" for text in texts]


def _batches(shown: Sequence[Deviation], slot: float, across: float) -> Iterator[tuple[float, str]]:
    """Yield where batches begin, with their names as far as there is room before the next."""
    names = [printable(each.reading.batch)[:24] for each in shown]
    begins = [k for k, name in enumerate(names) if k == 0 or name != names[k - 1]]
    # The last may reach over the labels of the limits, which stand lower.
    ends = [*(slot * k for k in begins[1:]), across + _RIGHT]
    for begin, end in zip(begins if any(names) else (), ends, strict=False):
        label = f"batch {names[begin]}" if names[begin] else "no batch named"
        yield slot * begin, label if len(label) * _LETTER <= end - slot * begin else ""


def _read(shown: Sequence[Deviation]) -> list[str]:
    return [
        quantity
        for quantity in QUANTITIES
        if any(math.isfinite(value) for each in shown for value in each.of(quantity))
    ]


def _slot(shown: Sequence[Deviation]) -> float:
    return min(_SLOT_MOST, max(_SLOT_LEAST, _USUAL_WIDTH / max(len(shown), 1)))


def _text(heading: str, shown: Sequence[Deviation]) -> str:
    if not shown:
        return heading
    first, last = shown[0].reading, shown[-1].reading
    dates = ""
    if first.date and last.date:
        dates = f", from {date_text(first.date)} to {date_text(last.date)}"
    return f"{heading}{dates}. Latest: {deviation_text(shown[-1])}."
