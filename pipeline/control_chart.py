"""Control chart: where deviations of control strips, aim and limits stand, in px."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from pipeline.control import ControlSeries, Deviation, state_of
from pipeline.control_finding import deviation_text
from pipeline.control_limits import QUANTITIES, TITLES, Limit, control_limits
from pipeline.readings import CHANNELS, date_text
from pipeline.words import counted, printable

# More strips than these are not told apart at a glance; the latest are shown.
MOST_STRIPS = 60
_LEFT, _RIGHT, _TOP, _FOOT = 52, 166, 82, 30
_PANEL, _GAP = 140, 38
_SLOT_LEAST, _SLOT_MOST = 18.0, 56.0
_APART = 4.0
_LETTER = 6.6
_LINE = 12.0
_DECIMALS = 1


@dataclass(frozen=True)
class ChartMark:
    """One reading, in px; `state` is where it lies, as `control.state_of` tells."""

    channel: int
    x: float
    y: float
    state: str


@dataclass(frozen=True)
class LimitLine:
    """A line across a panel: `kind` is aim, action or control; `label` may be empty."""

    kind: str
    y: float
    label: str


@dataclass(frozen=True)
class ChartPanel:
    """One quantity: its lines, its marks, and for each channel the unbroken traces through them."""

    title: str
    top: float
    foot: float
    lines: tuple[LimitLine, ...]
    marks: tuple[ChartMark, ...]
    traces: tuple[tuple[int, tuple[tuple[float, float], ...]], ...]


@dataclass(frozen=True)
class ControlChart:
    """Geometry of a control chart, in px.

    `labels` are x and text under the panels, `batches` x and label where a batch of
    chemistry begins; `text` says in words what the chart shows.
    """

    width: float
    height: float
    left: float
    right: float
    heading: str
    panels: tuple[ChartPanel, ...]
    labels: tuple[tuple[float, str], ...]
    batches: tuple[tuple[float, str], ...]
    text: str


def control_chart(series: ControlSeries) -> ControlChart:
    """Return the chart of a series, a panel for each quantity that was read."""
    shown = series.deviations[-MOST_STRIPS:]
    slot = min(_SLOT_MOST, max(_SLOT_LEAST, 720.0 / max(len(shown), 1)))
    right = _LEFT + max(slot * len(shown), 260.0)
    places = [_LEFT + slot * (index + 0.5) for index in range(len(shown))]
    limits = control_limits().of
    read = [
        quantity
        for quantity in QUANTITIES
        if any(math.isfinite(value) for each in shown for value in each.of(quantity))
    ]
    panels = []
    for index, quantity in enumerate(read):
        top = _TOP + index * (_PANEL + _GAP)
        panels.append(_panel(quantity, limits[quantity], shown, places, top))
    height = _TOP + len(panels) * (_PANEL + _GAP) - _GAP * bool(panels) + _FOOT
    left_out = len(series.deviations) - len(shown)
    heading = f"{counted(len(shown), 'control strip')}: density less aim"
    if left_out:
        heading += f", the latest of {len(series.deviations)}"
    if series.aim_is_first:
        heading += " (the first strip stands for the aim)"
    return ControlChart(
        right + _RIGHT, height, float(_LEFT), right, heading, tuple(panels),
        _labels(shown, places, slot), _batches(shown, places, slot, right), _text(heading, shown),
    )  # fmt: skip


def _panel(
    quantity: str,
    limit: Limit,
    shown: Sequence[Deviation],
    places: Sequence[float],
    top: float,
) -> ChartPanel:
    values = [each.of(quantity) for each in shown]
    known = [value for triple in values for value in triple if math.isfinite(value)]
    high = 1.25 * max([limit.control, *known])
    low = 1.25 * min([-limit.control if limit.both_ways else -0.4 * limit.control, *known])
    foot = top + _PANEL

    def height(value: float) -> float:
        return round(foot - _PANEL * (value - low) / (high - low), _DECIMALS)

    marks = tuple(
        ChartMark(channel, round(x + _APART * (channel - 1), _DECIMALS), height(value),
                  state_of(value, limit))
        for x, triple in zip(places, values, strict=True)
        for channel, value in enumerate(triple)
        if math.isfinite(value)
    )  # fmt: skip
    traces = []
    for channel in range(len(CHANNELS)):
        series = [triple[channel] for triple in values]
        run: list[tuple[float, float]] = []
        for x, value in [*zip(places, series, strict=True), (0.0, math.nan)]:
            if math.isfinite(value):
                run.append((round(x + _APART * (channel - 1), _DECIMALS), height(value)))
            elif run:
                traces.append((channel, tuple(run)))
                run = []
    lines = _lines(limit, height)
    return ChartPanel(TITLES[quantity], top, foot, lines, marks, tuple(traces))


def _lines(limit: Limit, height: Callable[[float], float]) -> tuple[LimitLine, ...]:
    """Return aim and limits; where lines lie close, one label stands for both limits."""
    lines = [LimitLine("aim", height(0.0), "aim")]
    for way in (1.0, -1.0) if limit.both_ways else (1.0,):
        action, control = height(way * limit.action), height(way * limit.control)
        of_action = f"action {way * limit.action:+.2f}"
        of_control = f"control {way * limit.control:+.2f}"
        if min(abs(action - control), abs(action - height(0.0))) < _LINE:
            of_control, of_action = f"{of_control}, {of_action}", ""
        lines.append(LimitLine("action", action, of_action))
        # Beside far larger deviations all lines fall into one.
        room = abs(control - height(0.0)) >= _LINE
        lines.append(LimitLine("control", control, of_control if room else ""))
    return tuple(lines)


def _labels(
    shown: Sequence[Deviation], places: Sequence[float], slot: float
) -> tuple[tuple[float, str], ...]:
    """Return month and day, else the strip's name, as many as there is room for."""
    texts = [
        each.reading.date.strftime("%m-%d") if each.reading.date else printable(each.reading.strip)
        for each in shown
    ]
    texts = [text if len(text) <= 8 else text[:7] + "\N{HORIZONTAL ELLIPSIS}" for text in texts]
    widest = max(map(len, texts), default=1) * _LETTER + 6.0
    step = math.ceil(widest / slot)
    return tuple(zip(places[::step], texts[::step], strict=True))


def _batches(
    shown: Sequence[Deviation], places: Sequence[float], slot: float, right: float
) -> tuple[tuple[float, str], ...]:
    """Return where batches begin, with their names as far as there is room before the next."""
    names = [printable(each.reading.batch)[:24] for each in shown]
    if not any(names):
        return ()
    begins = [0, *(k for k in range(1, len(names)) if names[k] != names[k - 1])]
    starts = [places[at] - slot / 2 for at in begins]
    # The last may reach over the labels of the limits, which stand lower.
    lengths = [after - start for start, after in pairwise([*starts, right + _RIGHT])]
    labels = [f"batch {names[at]}" if names[at] else "no batch named" for at in begins]
    return tuple(
        (start, label if len(label) * _LETTER <= length else "")
        for start, label, length in zip(starts, labels, lengths, strict=True)
    )


def _text(heading: str, shown: Sequence[Deviation]) -> str:
    if not shown:
        return heading
    first, last = shown[0].reading, shown[-1].reading
    words = [heading]
    if first.date and last.date:
        words.append(f"from {date_text(first.date)} to {date_text(last.date)}")
    return ", ".join(words) + f". Latest: {deviation_text(shown[-1])}."
