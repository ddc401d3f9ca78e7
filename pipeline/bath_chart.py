"""The trend of a batch as a drawing: rolls, line, band and the share at which it is spent."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from xml.sax.saxutils import escape

from pipeline import __version__
from pipeline.bath_report import chart_text
from pipeline.bath_trend import BathTrend
from pipeline.sidecar import NAMESPACE
from pipeline.words import printable

_WIDTH, _HEIGHT = 640, 340
_LEFT, _RIGHT, _TOP, _FOOT = 48, 132, 40, 290
_MOST_SHARE = 1.5
# Of the page where it has them, else its own, so that the drawing also stands alone.
_STYLE = """
.bath { --b-ink: var(--ink, #26211b); --b-soft: var(--soft, #5d554b);
  --b-line: var(--line, #d8cfc0); --b-paper: var(--paper, #fffdf9);
  --b-red: var(--red, #b3261e); --b-green: var(--green, #23762b);
  --b-blue: var(--blue, #1f5fbf); color-scheme: light dark; }
@media (prefers-color-scheme: dark) {
  .bath { --b-ink: var(--ink, #ece6db); --b-soft: var(--soft, #b5ab9c);
    --b-line: var(--line, #413a31); --b-paper: var(--paper, #211e19); --b-red: var(--red, #ff8d82);
    --b-green: var(--green, #7fd08a); --b-blue: var(--blue, #93b8ff); }
}
.bath text { font: 11px system-ui, sans-serif; fill: var(--b-soft);
  font-variant-numeric: tabular-nums; }
.bath .b-title { font-size: 12px; font-weight: 600; fill: var(--b-ink); }
.bath .b-paper { fill: var(--b-paper); }
.bath .b-grid { stroke: var(--b-line); }
.bath .b-band { fill: var(--b-ink); fill-opacity: .12; }
.bath .b-fit { fill: none; stroke: var(--b-ink); stroke-width: 2; }
.bath .b-spent { stroke: var(--b-ink); stroke-width: 1.5; stroke-dasharray: 7 4; }
.bath .b-now { stroke: var(--b-soft); stroke-dasharray: 2 3; }
.bath .b-mark { stroke: var(--b-paper); }
.bath .b-c0 { fill: var(--b-red); } .bath .b-c1 { fill: var(--b-green); }
.bath .b-c2 { fill: var(--b-blue); }
.bath .b-mean { stroke: var(--b-ink); stroke-width: 3; }
"""


@dataclass(frozen=True)
class _Axes:
    """Scales of the drawing: rolls to the right, share of fresh upwards."""

    rolls: float
    low: float
    high: float

    def x(self, rolls: float) -> float:
        span = _WIDTH - _RIGHT - _LEFT
        return round(_LEFT + span * min(max(rolls / self.rolls, 0.0), 1.0), 1)

    def y(self, share: float) -> float:
        inside = min(max(share, self.low), self.high)
        return round(_FOOT - (_FOOT - _TOP) * (inside - self.low) / (self.high - self.low), 1)


def bath_chart_svg(made: BathTrend, standalone: bool = False) -> str:
    """Return the trend as an SVG element, to stand in a page or, `standalone`, in a file.

    A circle, a square and a triangle are a roll's red, green and blue, a bar their mean; the line
    is the likeliest course, the band its interval, the broken line the share at which the batch
    is spent. Shares are of what a fresh batch gives, so that rolls of several films stand in one
    drawing. It needs no other file, and has its own light and dark colours.
    """
    axes = _axes(made)
    head = f"{made.figure.capitalize()} along batch {printable(made.batch)}"
    body = [
        f"<title>{escape(head)}</title>",
        f"<desc>{escape(chart_text(made))}</desc>",
        f"<style>{_STYLE}</style>",
        f'<rect class="b-paper" width="{_WIDTH}" height="{_HEIGHT}"/>' if standalone else "",
        f'<text class="b-title" x="{_LEFT}" y="20">{escape(_shortened(head))}</text>',
        *_grid(axes),
        *_band(made, axes),
        *_spent(made, axes),
        *_marks(made, axes),
        *_key(made),
    ]
    ours = f' xmlns:evenroll="{NAMESPACE}"' if standalone else ""
    return (
        f'<svg class="bath" xmlns="http://www.w3.org/2000/svg"{ours} width="{_WIDTH}" '
        f'height="{_HEIGHT}" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" '
        f'aria-label="{escape(head, {chr(34): "&quot;"})}" data-evenroll="{__version__}">\n'
        + "\n".join(line for line in body if line)
        + "\n</svg>\n"
    )


def _shortened(text: str) -> str:
    return text if len(text) <= 80 else text[:79] + "\N{HORIZONTAL ELLIPSIS}"


def _axes(made: BathTrend) -> _Axes:
    shares = [share for point in made.points for share in (point.share, *point.channel_shares)]
    shares += [made.spent_share, 1.0, *(share for _, share, _, _ in made.line)]
    inside = [min(max(share, 0.0), _MOST_SHARE) for share in shares if math.isfinite(share)]
    low = max(math.floor(min(inside) * 20.0 - 0.5) / 20.0, 0.0)
    high = math.ceil(max(inside) * 20.0 + 0.5) / 20.0
    return _Axes(max(rolls for rolls, *_ in made.line), low, high)


def _step(span: float, most: int) -> float:
    """Return the least of 1, 2, 5 times a power of ten that parts a span into few steps."""
    power = 10.0 ** math.floor(math.log10(span / most))
    return next(power * step for step in (1.0, 2.0, 5.0, 10.0) if span / (power * step) <= most)


def _grid(axes: _Axes) -> Iterator[str]:
    step = max(_step(axes.high - axes.low, 8), 0.01)
    for place in range(math.ceil(axes.low / step - 1e-9), math.floor(axes.high / step + 1e-9) + 1):
        y = axes.y(place * step)
        yield f'<path class="b-grid" d="M{_LEFT} {y}H{_WIDTH - _RIGHT}"/>'
        yield (
            f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{100 * place * step:.0f} %'
            "</text>"
        )
    step = _step(axes.rolls, 10)
    for place in range(math.floor(axes.rolls / step + 1e-9) + 1):
        x = axes.x(place * step)
        yield f'<text x="{x}" y="{_FOOT + 16}" text-anchor="middle">{place * step:g}</text>'
    middle = (_LEFT + _WIDTH - _RIGHT) / 2
    yield f'<text x="{middle}" y="{_FOOT + 34}" text-anchor="middle">rolls done before</text>'


def _band(made: BathTrend, axes: _Axes) -> Iterator[str]:
    upper = [f"{axes.x(rolls)} {axes.y(high)}" for rolls, _, _, high in made.line]
    lower = [f"{axes.x(rolls)} {axes.y(low)}" for rolls, _, low, _ in made.line]
    likely = [f"{axes.x(rolls)} {axes.y(share)}" for rolls, share, _, _ in made.line]
    yield f'<path class="b-band" d="M{"L".join([*upper, *reversed(lower)])}Z"/>'
    yield f'<path class="b-fit" d="M{"L".join(likely)}"/>'


def _spent(made: BathTrend, axes: _Axes) -> Iterator[str]:
    y = axes.y(made.spent_share)
    yield f'<path class="b-spent" d="M{_LEFT} {y}H{_WIDTH - _RIGHT}"/>'
    x = axes.x(made.rolls_done)
    yield f'<path class="b-now" d="M{x} {_TOP}V{_FOOT}"/>'
    yield f'<text x="{x}" y="{_TOP - 4}" text-anchor="middle">now</text>'


def _mark(channel: int, x: float, y: float) -> str:
    shape = (
        f'<circle class="b-mark b-c0" cx="{x:.1f}" cy="{y:.1f}" r="3.2"/>',
        f'<rect class="b-mark b-c1" x="{x - 3:.1f}" y="{y - 3:.1f}" width="6" height="6"/>',
        f'<path class="b-mark b-c2" d="M{x:.1f} {y - 4:.1f}l4 7h-8z"/>',
    )
    return shape[channel]


def _bar(x: float, y: float) -> str:
    return f'<path class="b-mean" d="M{x - 11:.1f} {y:.1f}h22"/>'


def _marks(made: BathTrend, axes: _Axes) -> Iterator[str]:
    for point in made.points:
        x = axes.x(point.rolls_before)
        said = f"roll {point.roll}: {point.value:.2f}, {100 * point.share:.0f} % of fresh"
        yield f"<g><title>{escape(printable(said))}</title>{_bar(x, axes.y(point.share))}"
        yield from (
            _mark(channel, x + 9 * (channel - 1), axes.y(share))
            for channel, share in enumerate(point.channel_shares)
            if math.isfinite(share)
        )
        yield "</g>"


def _key(made: BathTrend) -> Iterator[str]:
    x, y = _WIDTH - _RIGHT + 16, _TOP + 6
    for channel, word in enumerate(("red", "green", "blue")):
        yield _mark(channel, x + 8, y + 18 * channel)
        yield f'<text x="{x + 24}" y="{y + 18 * channel + 4}">{word}</text>'
    yield _bar(x + 8, y + 54)
    yield f'<text x="{x + 24}" y="{y + 58}">mean</text>'
    yield f'<path class="b-fit" d="M{x} {y + 72}h16"/>'
    yield f'<text x="{x + 24}" y="{y + 76}">likeliest</text>'
    yield f'<rect class="b-band" x="{x}" y="{y + 84}" width="16" height="12"/>'
    yield f'<text x="{x + 24}" y="{y + 94}">{100 * made.interval:.0f} % interval</text>'
    yield f'<path class="b-spent" d="M{x} {y + 108}h16"/>'
    yield f'<text x="{x + 24}" y="{y + 112}">spent</text>'
