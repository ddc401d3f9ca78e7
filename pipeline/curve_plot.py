"""Plot of a characteristic curve, density against log exposure: where its marks stand, and SVG."""

import itertools
import math
from dataclasses import dataclass
from html import escape

from pipeline.characteristic import ChannelCurve, CurvePoint
from pipeline.roll_curve import FilmCurve

CHANNELS = ("red", "green", "blue")
# Shapes of the steps' marks, lines of the curves: told apart without colour.
_SHAPES = ("circle", "square", "triangle")
_DASHES = ("", "7 3", "2 3")
_WIDTH, _HEIGHT = 640, 420
_LEFT, _RIGHT, _TOP, _FOOT = 52, 92, 22, 44
_MARK_PX = 4.0
_MOST_POINTS = 121
# Colours where no page sets its own.
_STYLE = (
    ".curve-plot { --c0: #b3261e; --c1: #23762b; --c2: #1f5fbf; --axis: #5d554b; --rule: #d8cfc0;"
    " --back: #fffdf9; }"
    " @media (prefers-color-scheme: dark) { .curve-plot { --c0: #ff8d82; --c1: #7fd08a;"
    " --c2: #93b8ff; --axis: #b5ab9c; --rule: #413a31; --back: #211e19; } }"
    " .curve-plot text { font: 12px system-ui, sans-serif; fill: var(--axis); }"
    " .curve-plot .rule { stroke: var(--rule); }"
    " .curve-plot .line { fill: none; stroke-width: 1.8; }"
    " .curve-plot .step-mark { fill: var(--back); stroke-width: 1.4; }"
)


@dataclass(frozen=True)
class Tick:
    """A line of the grid: its place in px, and what it says."""

    at: float
    text: str


@dataclass(frozen=True)
class Mark:
    """A mark in px: 'step', 'toe', 'shoulder' or 'speed' of a channel 0 to 2."""

    kind: str
    channel: int
    x: float
    y: float


@dataclass(frozen=True)
class CurvePlot:
    """Geometry of the plot in px.

    `lines` are the three curves, `straight` the lines of the contrast, from end to end; `ends`
    where the channels' names stand.
    """

    width: int
    height: int
    left: float
    right: float
    top: float
    foot: float
    across: tuple[Tick, ...]
    up: tuple[Tick, ...]
    lines: tuple[tuple[tuple[float, float], ...], ...]
    straight: tuple[tuple[float, float, float, float], ...]
    marks: tuple[Mark, ...]
    ends: tuple[tuple[float, float], ...]
    title: str
    axis: str


@dataclass(frozen=True)
class _Scale:
    """From log10 exposure and density to px."""

    low: float
    high: float
    least: float
    most: float

    def x(self, log_exposure: float) -> float:
        share = (log_exposure - self.low) / (self.high - self.low)
        return round(_LEFT + share * (_WIDTH - _LEFT - _RIGHT), 1)

    def y(self, density: float) -> float:
        share = (density - self.least) / (self.most - self.least)
        return round(_HEIGHT - _FOOT - share * (_HEIGHT - _TOP - _FOOT), 1)


def curve_plot(curve: FilmCurve) -> CurvePlot:
    """Return where everything stands on the plot of a curve."""
    scale = _scale(curve)
    marks = [
        Mark("step", channel, scale.x(log), scale.y(row[channel]))
        for log, row in zip(curve.log_exposure, curve.density, strict=True)
        for channel in range(3)
    ]
    for channel, one in enumerate(curve.channels):
        speed = curve.speed.log_exposure[channel]
        density = None if speed is None else one.density_at(speed)
        point = None if speed is None or density is None else CurvePoint(speed, density)
        for kind, at in (("toe", one.toe), ("shoulder", one.shoulder), ("speed", point)):
            if at is not None:
                marks.append(Mark(kind, channel, scale.x(at.log_exposure), scale.y(at.density)))
    return CurvePlot(
        width=_WIDTH,
        height=_HEIGHT,
        left=_LEFT,
        right=_WIDTH - _RIGHT,
        top=_TOP,
        foot=_HEIGHT - _FOOT,
        across=tuple(Tick(scale.x(v), f"{v:.1f}") for v in _ticks(scale.low, scale.high)),
        up=tuple(Tick(scale.y(v), f"{v:.1f}") for v in _ticks(scale.least, scale.most)),
        lines=tuple(_line(one, scale) for one in curve.channels),
        straight=tuple(_straight(one, scale) for one in curve.channels),
        marks=tuple(marks),
        ends=_apart([scale.y(one.density[-1]) for one in curve.channels]),
        title=_title(curve),
        axis=curve.scale,
    )


def curve_svg(curve: FilmCurve) -> str:
    """Return the plot as one SVG element that stands by itself and inside an HTML page.

    The channels differ in the marks of their steps (circle, square, triangle) and in their lines
    (whole, dashed, dotted) as well as in colour; colours follow a light or dark page.
    """
    plot = curve_plot(curve)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="curve-plot" role="img" '
        f'viewBox="0 0 {plot.width} {plot.height}" width="{plot.width}" height="{plot.height}">',
        f"<title>{escape(plot.title)}</title><style>{_STYLE}</style>",
        *_grid(plot),
    ]
    for channel in range(3):
        parts.append(_channel(plot, channel))
    return "\n".join([*parts, *_key(plot), "</svg>"])


def _scale(curve: FilmCurve) -> _Scale:
    ends = (end for one in curve.channels for end in (one.log_exposure[0], one.log_exposure[-1]))
    logs = [*curve.log_exposure, *ends]
    values = [v for row in curve.density for v in row]
    values += [v for one in curve.channels for v in one.density]
    low, high = math.floor(2 * min(logs)) / 2, math.ceil(2 * max(logs)) / 2
    least, most = math.floor(2 * min(0.0, *values)) / 2, math.ceil(2 * max(values)) / 2
    if min(values) > -0.06:
        least = 0.0
    return _Scale(low, max(high, low + 0.5), least, max(most, least + 0.5))


def _ticks(low: float, high: float) -> list[float]:
    return [low + 0.5 * n for n in range(round((high - low) * 2) + 1)]


def _line(curve: ChannelCurve, scale: _Scale) -> tuple[tuple[float, float], ...]:
    every = max(1, len(curve.density) // _MOST_POINTS)
    points = list(zip(curve.log_exposure, curve.density, strict=True))
    kept = [*points[:-1:every], points[-1]]
    return tuple((scale.x(log), scale.y(density)) for log, density in kept)


def _straight(curve: ChannelCurve, scale: _Scale) -> tuple[float, float, float, float]:
    ends = (curve.contrast_from, curve.contrast_to)
    start = curve.density_at(ends[0])
    first = curve.density[0] if start is None else start
    last = first + curve.contrast * (ends[1] - ends[0])
    return (scale.x(ends[0]), scale.y(first), scale.x(ends[1]), scale.y(last))


def _apart(heights: list[float], least: float = 15.0) -> tuple[tuple[float, float], ...]:
    """Return where names stand beside the ends of the curves, so far apart as to be read."""
    order = sorted(range(3), key=lambda channel: heights[channel])
    placed = dict(enumerate(heights))
    for above, below in itertools.pairwise(order):
        placed[below] = max(placed[below], placed[above] + least)
    over = placed[order[-1]] - (_HEIGHT - _FOOT)
    shift = max(over, 0.0)
    return tuple((_WIDTH - _RIGHT + 8.0, placed[channel] - shift + 4.0) for channel in range(3))


def _title(curve: FilmCurve) -> str:
    slopes = ", ".join(
        f"{name} {value:.2f}" for name, value in zip(CHANNELS, curve.contrast, strict=True)
    )
    frames = f" on {'frame' if len(curve.frames) == 1 else 'frames'} {', '.join(curve.frames)}"
    where = frames if curve.frames else ""
    return f"Characteristic curve from the {curve.how}{where}: contrast {slopes}"


def _grid(plot: CurvePlot) -> list[str]:
    parts = []
    for tick in plot.across:
        parts.append(
            f'<line class="rule" x1="{tick.at}" x2="{tick.at}" y1="{plot.top}" y2="{plot.foot}"/>'
            f'<text x="{tick.at}" y="{plot.foot + 16}" text-anchor="middle">{tick.text}</text>'
        )
    for tick in plot.up:
        parts.append(
            f'<line class="rule" x1="{plot.left}" x2="{plot.right}" y1="{tick.at}" y2="{tick.at}"/>'
            f'<text x="{plot.left - 6}" y="{tick.at + 4}" text-anchor="end">{tick.text}</text>'
        )
    middle = (plot.left + plot.right) / 2
    parts.append(
        f'<text x="{middle}" y="{plot.height - 6}" text-anchor="middle">{escape(plot.axis)}</text>'
        f'<text x="{plot.left}" y="{plot.top - 8}" text-anchor="middle">density</text>'
    )
    return parts


def _channel(plot: CurvePlot, channel: int) -> str:
    name, dash = CHANNELS[channel], _DASHES[channel]
    points = " ".join(f"{x},{y}" for x, y in plot.lines[channel])
    pattern = f' stroke-dasharray="{dash}"' if dash else ""
    x1, y1, x2, y2 = plot.straight[channel]
    end_x, end_y = plot.ends[channel]
    marks = "".join(_mark(mark) for mark in plot.marks if mark.channel == channel)
    return (
        f'<g class="channel-{name}" style="stroke: var(--c{channel})">'
        f'<polyline class="line" points="{points}"{pattern}/>'
        f'<line class="slope" x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" stroke-width="4.5" '
        f'stroke-opacity="0.28"/>{marks}'
        f'<text x="{end_x}" y="{round(end_y, 1)}" stroke="none">{name}</text></g>'
    )


def _mark(mark: Mark) -> str:
    x, y, r = mark.x, mark.y, _MARK_PX
    if mark.kind == "speed":
        return (
            f'<path class="speed" d="M{x - 7} {y}H{x + 7}M{x} {y - 7}V{y + 7}" stroke-width="1.6"/>'
        )
    if mark.kind in ("toe", "shoulder"):
        return f'<path class="{mark.kind}" d="M{x} {y - 11}V{y + 11}" stroke-width="2.4"/>'
    shape = _SHAPES[mark.channel]
    if shape == "circle":
        return f'<circle class="step-mark" cx="{x}" cy="{y}" r="{r - 0.6}"/>'
    if shape == "square":
        side = 2 * r - 1
        return (
            f'<rect class="step-mark" x="{x - side / 2}" y="{y - side / 2}" width="{side}" '
            f'height="{side}"/>'
        )
    return f'<path class="step-mark" d="M{x} {y - r}L{x + r} {y + r - 0.5}H{x - r}Z"/>'


def _key(plot: CurvePlot) -> list[str]:
    """Return what the marks mean, in the upper left corner where no curve runs."""
    x, y = plot.left + 14, plot.top + 14
    rows = (
        ('<path d="{0}" stroke-width="2.4"/>', "M0 -6V6", "toe and shoulder"),
        ('<path d="{0}" stroke-width="1.6"/>', "M-6 0H6M0 -6V6", "speed point"),
        ('<path d="{0}" stroke-width="4.5" stroke-opacity="0.4"/>', "M-7 0H7", "contrast"),
    )
    return [
        f'<g transform="translate({x} {y + 18 * row})" style="stroke: var(--axis)">'
        f'{drawn.format(path)}<text x="14" y="4" stroke="none">{escape(text)}</text></g>'
        for row, (drawn, path, text) in enumerate(rows)
    ]
