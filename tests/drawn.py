"""What tests read off a drawing: its artists by what they are, and its SVG in px."""

import re
from collections.abc import Iterator
from xml.etree import ElementTree

from matplotlib.artist import Artist
from matplotlib.axes import Axes

from pipeline.plot import Plot, as_svg

SVG = "{http://www.w3.org/2000/svg}"


def artists(axes: Axes, selector: str) -> list[Artist]:
    """Return what has the selector, such as `.mark.red`, in the order it was drawn."""
    return [
        each for each in axes.get_children() if (each.get_gid() or "").split()[:1] == [selector]
    ]


def points(axes: Axes, selector: str) -> list[tuple[float, float]]:
    """Return the points in the data of all lines and marks that have the selector."""
    return [tuple(point) for each in artists(axes, selector) for point in each.get_xydata()]


def texts(axes: Axes) -> list[str]:
    """Return the words written by hand, without ticks and title."""
    return [each.get_text() for each in axes.texts if each.get_text()]


def svg_of(plot: Plot, standalone: bool = False) -> ElementTree.Element:
    """Return the SVG of a plot as an XML parser understands it."""
    return ElementTree.fromstring(as_svg(plot, standalone))


def by_class(root: ElementTree.Element, *names: str) -> list[ElementTree.Element]:
    """Return the groups that have all of these classes."""
    return [g for g in root.iter() if set(names) <= set(g.get("class", "").split())]


def px(group: ElementTree.Element) -> Iterator[list[tuple[float, float]]]:
    """Yield the points of each path of a group, in px: where a mark stands, or its corners."""
    for path in group:
        if path.tag.endswith("path"):
            text = path.get("transform") or path.get("d")
            numbers = [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", text)]
            yield list(zip(numbers[::2], numbers[1::2], strict=True))
