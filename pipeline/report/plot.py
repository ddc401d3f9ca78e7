"""What all drawings have in common: axes, marks, key and colours; a plot as SVG and as PNG."""

import logging
import math
import re
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import BytesIO, StringIO
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from pipeline.kinds import CHANNELS
from pipeline.whole_file import NAMESPACE, SOFTWARE

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Axes
    from matplotlib.figure import Figure as Figure


# The channels are vermilion, bluish green and blue, in the dark sky blue, which the colour-blind
# tell apart: M. Okabe, K. Ito, "Color Universal Design", 2008. On paper, on a dark page, printed.
_COLOURS = {
    "paper": ("#fffdf9", "#211e19", "#ffffff"),
    "ink": ("#26211b", "#ece6db", "#000000"),
    "soft": ("#5d554b", "#b5ab9c", "#444444"),
    "line": ("#d8cfc0", "#413a31", "#bbbbbb"),
    "red": ("#d55e00", "#d55e00", "#d55e00"),
    "green": ("#009e73", "#009e73", "#009e73"),
    "blue": ("#0072b2", "#56b4e9", "#0072b2"),
}
PAPER, INK, SOFT, _LINE, *COLOURS = (paper for paper, _, _ in _COLOURS.values())
# Circle, square and triangle tell the channels apart without colour.
MARKS: dict[str, dict[str, Any]] = {
    name: {
        "linestyle": "none", "marker": marker, "color": colour, "markersize": 7.2,
        "markeredgecolor": PAPER, "markeredgewidth": 0.8, "zorder": 3, "clip_on": False,
    }
    for name, marker, colour in zip(CHANNELS, "os^", COLOURS, strict=True)
}  # fmt: skip
# Of lines, likewise.
DASHES: tuple[Any, ...] = ("-", (0, (4, 2)), (0, (1.2, 1.8)))
# Where words stand: across as the data do and up as a share of the axes, and the other way round.
ACROSS, UPWARD = ("data", "axes fraction"), ("axes fraction", "data")
_PX_AN_INCH, _PNG_SCALE = 72, 2
_LOOK: dict[Any, Any] = {
    "svg.fonttype": "none", "svg.hashsalt": "evenroll", "text.parse_math": False,
    "path.simplify": False, "axes.unicode_minus": False,
    "font.family": "DejaVu Sans", "font.size": 11, "text.color": SOFT,
    "figure.facecolor": PAPER, "axes.facecolor": "none", "axes.axisbelow": True,
    "axes.titlesize": 12, "axes.titleweight": "bold", "axes.titlecolor": INK,
    "axes.titlelocation": "left", "axes.titlepad": 7, "axes.labelcolor": SOFT,
    "axes.grid": True, "axes.grid.axis": "y", "grid.color": _LINE, "grid.linewidth": 1,
    "xtick.color": SOFT, "xtick.major.size": 0, "xtick.major.pad": 5,
    "ytick.color": SOFT, "ytick.major.size": 0, "ytick.major.pad": 6,
    "legend.frameon": False, "legend.borderpad": 0, "legend.borderaxespad": 0,
}  # fmt: skip


@dataclass(frozen=True)
class Plot:
    """A drawing to be made: its name, what it shows in words, its size in px, and how.

    `draw` draws `shown` on a figure of that size; `heading` stands over it, so far from the left.
    """

    title: str
    text: str
    width: float
    height: float
    shown: Any
    draw: Callable[["Figure", Any], None] = field(repr=False)
    heading: str = ""
    left: float = 0.0


@contextmanager
def drawn(plot: Plot) -> Iterator["Figure"]:
    """Yield the figure of a plot, one unit a px; while it lasts, things look as in all drawings."""
    # That it finds no folder to keep its list of fonts in is no news to who makes a roll.
    if not (logger := logging.getLogger("matplotlib")).handlers:
        logger.addHandler(logging.NullHandler())
    import matplotlib
    from matplotlib.figure import Figure

    # The defaults of the library, and not what its user may have set for other plots.
    looks: dict[Any, Any] = {**matplotlib.rcParamsDefault, **_LOOK}
    del looks["backend"]
    with matplotlib.rc_context(looks), warnings.catch_warnings():
        # Letters that the library's own font lacks are in the SVG all the same.
        warnings.filterwarnings("ignore", r"Glyph \d+", UserWarning)
        figure = Figure((plot.width / _PX_AN_INCH, plot.height / _PX_AN_INCH), _PX_AN_INCH)
        figure.patch.set_gid(".ground")
        heading = _at(figure, plot.left, 20)
        figure.text(*heading, plot.heading, color=INK, size=12, weight="bold")
        plot.draw(figure, plot.shown)
        yield figure
        # Its parts hold each other, and would stay until garbage is looked for.
        figure.clear()


def as_svg(plot: Plot, standalone: bool = False) -> str:
    """Return a plot as an `svg` element, light or dark as its surroundings are.

    It refers to nothing and has no ids, so that several stand in one page; classes name what is
    drawn. `standalone` makes it a file of its own.
    """
    file = StringIO()
    with drawn(plot) as figure:
        figure.savefig(file, format="svg", metadata={"Date": None})
    made = ElementTree.fromstring(file.getvalue().encode("utf-8"))
    root = ElementTree.Element("svg", {
        "xmlns": "http://www.w3.org/2000/svg", "class": "plot", "role": "img",
        "aria-label": ". ".join(filter(None, (plot.title, plot.text))), "width": f"{plot.width:g}",
        "height": f"{plot.height:g}", "viewBox": f"0 0 {plot.width:g} {plot.height:g}",
    })  # fmt: skip
    if standalone:
        root.attrib |= {"xmlns:evenroll": NAMESPACE, "evenroll:software": SOFTWARE}
    for kind, text in (("title", plot.title), ("desc", plot.text), ("style", _style())):
        ElementTree.SubElement(root, kind).text = text
    shapes = {each.get("id", ""): each.get("d", "") for each in made.iter()}
    _copy(made, root, shapes)
    ElementTree.indent(root, "")
    head = '<?xml version="1.0" encoding="UTF-8"?>\n' if standalone else ""
    return head + ElementTree.tostring(root, "unicode") + "\n"


def as_png(plot: Plot) -> bytes:
    """Return a plot as a PNG file, on light paper, two pixels for each px."""
    file = BytesIO()
    notes = {"Software": f"{SOFTWARE} ({NAMESPACE})", "Description": plot.text}
    with drawn(plot) as figure:
        figure.savefig(file, format="png", dpi=_PX_AN_INCH * _PNG_SCALE, metadata=notes)
    return file.getvalue()


def panel(
    figure: "Figure", left: float, top: float, right: float, foot: float, title: str = ""
) -> "Axes":
    """Return axes whose sides stand at so many px from the left and from the top."""
    (x, y), (end, high) = _at(figure, left, foot), _at(figure, right, top)
    axes = figure.add_axes((x, y, end - x, high - y), title=title)
    axes.spines[:].set_visible(False)
    return axes


def halves(axes: "Axes", side: str, low: float, high: float) -> None:
    """Let the axis x or y go from half to half, so that low and high lie on it."""
    first, last = math.floor(2 * low), math.ceil(2 * high)
    ticks = [half / 2 for half in range(first, max(last, first + 1) + 1)]
    axes.set(**{f"{side}ticks": ticks, f"{side}lim": (ticks[0], ticks[-1])})
    getattr(axes, f"{side}axis").set_major_formatter("{x:z.1f}")


def key(figure: "Figure", x: float, y: float, looks: Mapping[str, Any], columns: int = 1) -> None:
    """Tell what lines and marks of such looks mean, so many px from the left and from the top."""
    from matplotlib.lines import Line2D

    lines = [Line2D([], [], **look) for look in looks.values()]
    place = _at(figure, x, y)
    figure.legend(lines, list(looks), loc="upper left", bbox_to_anchor=place, ncols=columns)


def _at(figure: "Figure", x: float, y: float) -> tuple[float, float]:
    width, height = figure.get_size_inches() * _PX_AN_INCH
    return x / width, 1 - y / height


def _copy(group: ElementTree.Element, into: ElementTree.Element, shapes: Mapping[str, str]) -> None:
    """Copy what is drawn: shapes to where they are used, and groups only if ours.

    These have a selector for an id, such as `.mark.red`, and behind it what is told of them.
    """
    for each in group:
        kind, (name, _, told) = each.tag.rpartition("}")[2], each.get("id", "").partition(" ")
        place = {side: _short(each.get(side, "0")) for side in "xy"}
        if kind == "g" and name.startswith("."):
            inner = ElementTree.SubElement(into, "g", {"class": name[1:].replace(".", " ")})
            if told:
                ElementTree.SubElement(inner, "title").text = told
            _copy(each, inner, shapes)
        elif kind == "g":
            _copy(each, into, shapes)
        elif kind == "text":
            ElementTree.SubElement(into, kind, place | _looks(each)).text = each.text
        elif kind == "path":
            ElementTree.SubElement(into, kind, {"d": _short(each.get("d", ""))} | _looks(each))
        elif kind == "use":
            shape = _short(shapes[each.get("{http://www.w3.org/1999/xlink}href", "")[1:]])
            where = {"transform": f"translate({place['x']} {place['y']})"}
            ElementTree.SubElement(into, "path", {"d": shape} | where | _looks(each))


def _short(numbers: str) -> str:
    shorter = re.sub(r"-?\d+\.\d+", lambda found: f"{round(float(found[0]), 2) + 0.0:g}", numbers)
    return " ".join(shorter.split())


def _looks(element: ElementTree.Element) -> dict[str, str]:
    """Return the style of an element, with colours and letters left to the page."""
    style = re.sub(r"font-family: [^;]*(; )?", "", element.get("style", ""))
    for name, (paper, *_) in _COLOURS.items():
        style = style.replace(paper, f"var(--plot-{name})")
    return {"style": style}


def _style() -> str:
    light, dark, printed = (
        " ".join((".plot {", *(f"--plot-{name}: {of[n]};" for name, of in _COLOURS.items()), "}"))
        for n in range(3)
    )
    return (
        f"\n{light}\n@media (prefers-color-scheme: dark) {{ {dark} }}\n@media print {{ {printed} }}"
        "\n.plot text { font-family: system-ui, sans-serif; font-variant-numeric: tabular-nums; }"
        "\n.plot path { stroke-linejoin: round; }\n"
    )
