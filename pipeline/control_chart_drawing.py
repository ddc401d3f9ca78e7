"""Control charts drawn: as SVG, alone or in a page, and as PNG."""

from collections.abc import Iterator
from html import escape
from io import BytesIO

from PIL import Image, ImageDraw, ImageFont, PngImagePlugin

from pipeline.control import BEYOND_CONTROL, IN_CONTROL, ControlSeries
from pipeline.control_chart import ChartMark, ChartPanel, ControlChart, control_chart
from pipeline.readings import CHANNELS
from pipeline.sidecar import NAMESPACE, SOFTWARE

_KEY_STEP = 66.0
_RING = 7.0
_RINGS_TOLD = "ring: beyond action, two: control"
# Colours on paper, as the page has them; shapes tell the channels apart without them.
_PAPER, _INK, _SOFT = "#fffdf9", "#26211b", "#5d554b"
_COLOURS = ("#b3261e", "#23762b", "#1f5fbf")
_SCALE = 2
_STYLE = """
.control-chart { --cc-paper: #fffdf9; --cc-ink: #26211b; --cc-soft: #5d554b;
  --cc-0: #b3261e; --cc-1: #23762b; --cc-2: #1f5fbf; font: 11px system-ui, sans-serif; }
@media (prefers-color-scheme: dark) {
  .control-chart { --cc-paper: #211e19; --cc-ink: #ece6db; --cc-soft: #b5ab9c;
    --cc-0: #ff8d82; --cc-1: #7fd08a; --cc-2: #93b8ff; }
}
@media print {
  .control-chart { --cc-paper: #fff; --cc-ink: #000; --cc-soft: #444;
    --cc-0: #b3261e; --cc-1: #23762b; --cc-2: #1f5fbf; }
}
.control-chart .cc-paper { fill: var(--cc-paper); }
.control-chart text { fill: var(--cc-soft); font-variant-numeric: tabular-nums; }
.control-chart .cc-title { fill: var(--cc-ink); font-size: 12px; font-weight: 600; }
.control-chart .cc-aim { stroke: var(--cc-ink); stroke-width: 1; }
.control-chart .cc-action { stroke: var(--cc-soft); stroke-width: 1; stroke-dasharray: 5 4; }
.control-chart .cc-control { stroke: var(--cc-soft); stroke-width: 1.5; }
.control-chart .cc-batch { stroke: var(--cc-soft); stroke-width: 1; stroke-dasharray: 1 4; }
.control-chart .cc-ring { fill: none; stroke: var(--cc-ink); stroke-width: 1.5; }
.control-chart .cc-trace { fill: none; stroke-width: 1.2; opacity: .7; }
.control-chart .cc-mark { stroke: var(--cc-paper); stroke-width: .8; }
.control-chart .cc-mark.cc-0 { fill: var(--cc-0); }
.control-chart .cc-trace.cc-0 { stroke: var(--cc-0); }
.control-chart .cc-mark.cc-1 { fill: var(--cc-1); }
.control-chart .cc-trace.cc-1 { stroke: var(--cc-1); }
.control-chart .cc-mark.cc-2 { fill: var(--cc-2); }
.control-chart .cc-trace.cc-2 { stroke: var(--cc-2); }
"""


def control_chart_svg(
    series: ControlSeries, name: str = "control-chart", standalone: bool = False
) -> str:
    """Return a control chart as an `svg` element, light or dark as its surroundings are.

    Red has circles, green squares, blue triangles. A ring is around readings beyond the action
    limit, two around those beyond the control limit.

    Parameters
    ----------
    series
        The strips. All text of theirs is shown as text, whatever it holds.
    name
        Begins the ids in it: another one for each chart of a page.
    standalone
        Whether it is to be a file of its own.
    """
    chart = control_chart(series)
    name = escape(name, quote=True)
    width, height = f"{chart.width:g}", f"{chart.height:g}"
    mark = f' xmlns:evenroll="{NAMESPACE}" evenroll:software="{SOFTWARE}"' if standalone else ""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg"{mark} class="control-chart" width="{width}" '
        f'height="{height}" viewBox="0 0 {width} {height}" role="img" '
        f'aria-labelledby="{name}-title {name}-text">',
        f'<title id="{name}-title">Control chart</title>',
        f'<desc id="{name}-text">{escape(chart.text)}</desc>',
        f"<style>{_STYLE}</style>",
        f'<rect class="cc-paper" width="{width}" height="{height}"/>',
        _words(chart.left, 18, chart.heading, "cc-title"),
        *_key(chart),
        *(part for panel in chart.panels for part in _panel(chart, panel)),
        *_under(chart),
        "</svg>",
    ]
    head = '<?xml version="1.0" encoding="UTF-8"?>\n' if standalone else ""
    return head + "\n".join(parts) + "\n"


def _words(x: float, y: float, text: str, kind: str = "", anchor: str = "start") -> str:
    of_kind = f' class="{kind}"' if kind else ""
    return f'<text{of_kind} x="{x:g}" y="{y:g}" text-anchor="{anchor}">{escape(text)}</text>'


def _key(chart: ControlChart) -> Iterator[str]:
    for channel, word in enumerate(CHANNELS):
        x = chart.left + 5 + _KEY_STEP * channel
        yield _mark(channel, x, 34)
        yield _words(x + 9, 38, word)
    yield _words(chart.left + 5 + 3 * _KEY_STEP, 38, _RINGS_TOLD)


def _mark(channel: int, x: float, y: float) -> str:
    kind = f'class="cc-mark cc-{channel}"'
    if channel == 0:
        return f'<circle {kind} cx="{x:g}" cy="{y:g}" r="3.6"/>'
    if channel == 1:
        return f'<rect {kind} x="{x - 3.2:g}" y="{y - 3.2:g}" width="6.4" height="6.4"/>'
    return f'<path {kind} d="M{x:g} {y - 4.2:g}l4.2 7.4h-8.4z"/>'


def _panel(chart: ControlChart, panel: ChartPanel) -> Iterator[str]:
    yield _words(chart.left, panel.top - 6, panel.title, "cc-title")
    for x, _ in chart.batches:
        yield f'<path class="cc-batch" d="M{x:g} {panel.top:g}V{panel.foot:g}"/>'
    for line in panel.lines:
        yield f'<path class="cc-{line.kind}" d="M{chart.left:g} {line.y:g}H{chart.right:g}"/>'
        yield _words(chart.right + 6, line.y + 4, line.label)
    for channel, points in panel.traces:
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        yield f'<polyline class="cc-trace cc-{channel}" points="{path}"/>'
    for mark in panel.marks:
        yield _mark(mark.channel, mark.x, mark.y)
        for radius in _rings(mark):
            yield f'<circle class="cc-ring" cx="{mark.x:g}" cy="{mark.y:g}" r="{radius:g}"/>'


def _rings(mark: ChartMark) -> tuple[float, ...]:
    """Return the radii of the rings around a mark: one beyond action, two beyond control."""
    if mark.state == IN_CONTROL:
        return ()
    return (_RING, _RING + 2.5) if mark.state == BEYOND_CONTROL else (_RING,)


def _under(chart: ControlChart) -> Iterator[str]:
    for x, text in chart.labels:
        yield _words(x, chart.height - 10, text, anchor="middle")
    for x, text in chart.batches:
        yield _words(x + 3, 60, text)


def control_chart_png(series: ControlSeries) -> bytes:
    """Return a control chart as a PNG file, on light paper, two pixels for each px."""
    chart = control_chart(series)
    size = (round(chart.width * _SCALE), round(chart.height * _SCALE))
    image = Image.new("RGB", size, _PAPER)
    pen = _Pen(image)
    pen.words(chart.left, 18, chart.heading, _INK, 12)
    for channel, word in enumerate(CHANNELS):
        x = chart.left + 5 + _KEY_STEP * channel
        pen.mark(channel, x, 34)
        pen.words(x + 9, 38, word)
    pen.words(chart.left + 5 + 3 * _KEY_STEP, 38, _RINGS_TOLD)
    for panel in chart.panels:
        _draw_panel(pen, chart, panel)
    for x, text in chart.labels:
        pen.words(x, chart.height - 10, text, anchor="ms")
    for x, text in chart.batches:
        pen.words(x + 3, 60, text)
    notes = PngImagePlugin.PngInfo()
    notes.add_text("Software", f"{SOFTWARE} ({NAMESPACE})")
    notes.add_itxt("Description", chart.text)
    file = BytesIO()
    image.save(file, "PNG", pnginfo=notes, optimize=True)
    return file.getvalue()


def _draw_panel(pen: "_Pen", chart: ControlChart, panel: ChartPanel) -> None:
    pen.words(chart.left, panel.top - 6, panel.title, _INK, 12)
    for x, _ in chart.batches:
        pen.line((x, panel.top), (x, panel.foot), _SOFT, 1, (1, 4))
    for line in panel.lines:
        dash = (5, 4) if line.kind == "action" else None
        colour = _INK if line.kind == "aim" else _SOFT
        width = 1.5 if line.kind == "control" else 1
        pen.line((chart.left, line.y), (chart.right, line.y), colour, width, dash)
        pen.words(chart.right + 6, line.y + 4, line.label)
    for channel, points in panel.traces:
        pen.trace(points, _COLOURS[channel])
    for mark in panel.marks:
        pen.mark(mark.channel, mark.x, mark.y)
        for radius in _rings(mark):
            pen.ring(mark.x, mark.y, radius)


class _Pen:
    """Draws on a picture in px of the chart."""

    def __init__(self, image: Image.Image) -> None:
        self._draw = ImageDraw.Draw(image)

    def words(
        self, x: float, y: float, text: str, colour: str = _SOFT, size: int = 11, anchor: str = "ls"
    ) -> None:
        # The letters that come with the library are those of Western Europe.
        plain = text.encode("latin-1", "replace").decode("latin-1")
        font = ImageFont.load_default(size * _SCALE)
        self._draw.text((x * _SCALE, y * _SCALE), plain, colour, font, anchor)

    def line(
        self,
        start: tuple[float, float],
        end: tuple[float, float],
        colour: str,
        width: float,
        dash: tuple[int, int] | None = None,
    ) -> None:
        """Draw a level or upright line; `dash` is the length of a dash and of what follows."""
        length = abs(end[0] - start[0]) + abs(end[1] - start[1])
        drawn, pause = dash or (length, 0)
        along = ((end[0] - start[0]) / length, (end[1] - start[1]) / length)
        at = 0.0
        while at < length:
            stop = min(at + drawn, length)
            self._draw.line(
                [
                    ((start[0] + along[0] * place) * _SCALE, (start[1] + along[1] * place) * _SCALE)
                    for place in (at, stop)
                ],
                colour,
                round(width * _SCALE),
            )
            at = stop + pause

    def trace(self, points: tuple[tuple[float, float], ...], colour: str) -> None:
        self._draw.line([(x * _SCALE, y * _SCALE) for x, y in points], colour, _SCALE)

    def mark(self, channel: int, x: float, y: float) -> None:
        x, y, colour = x * _SCALE, y * _SCALE, _COLOURS[channel]
        if channel == 0:
            self._draw.circle((x, y), 3.6 * _SCALE, colour, _PAPER)
        elif channel == 1:
            reach = 3.2 * _SCALE
            self._draw.rectangle((x - reach, y - reach, x + reach, y + reach), colour, _PAPER)
        else:
            wide, up, down = 4.2 * _SCALE, 4.2 * _SCALE, 3.2 * _SCALE
            corners = [(x, y - up), (x + wide, y + down), (x - wide, y + down)]
            self._draw.polygon(corners, colour, _PAPER)

    def ring(self, x: float, y: float, radius: float) -> None:
        self._draw.circle((x * _SCALE, y * _SCALE), radius * _SCALE, None, _INK, _SCALE)
