"""What holds of every drawing, as SVG and as PNG."""

import re
from dataclasses import replace
from io import BytesIO
from xml.etree import ElementTree

import html5lib
import matplotlib
import numpy as np
import pytest
from PIL import Image

from pipeline.control.series import control_series
from pipeline.densities.roll_curve import film_curve
from pipeline.kinds import CHANNELS
from pipeline.report.bath_chart import trend_plot
from pipeline.report.control_chart import control_plot
from pipeline.report.curve_plot import film_curve_plot
from pipeline.report.density_plot import densities_plot
from pipeline.report.plot import Plot, as_png, as_svg, drawn
from pipeline.whole_file import is_ours
from tests.bath.test_wear import SPRING, told, worn
from tests.judged.control_cases import aim
from tests.report.drawn import SVG, by_class, px, svg_of
from tests.report.test_roll_page import roll_of_38

AIM = aim()
CJK = "\N{CJK UNIFIED IDEOGRAPH-6625}"


def control_of(*by, batch="", name="s"):
    strips = [
        replace(AIM, strip=f"{name}{k}", batch=batch, ld=tuple(v + change for v in AIM.ld))
        for k, change in enumerate(by)
    ]
    return control_plot(control_series(strips, AIM))


def curve_plot() -> Plot:
    logs = -2.0 + 0.15 * np.arange(20)
    curve = film_curve(logs, np.maximum(logs + 1.6, 0.0)[:, None] * [0.6, 0.64, 0.7])
    return film_curve_plot(curve)


@pytest.fixture(params=["control", "curve", "trend", "densities"])
def plot(request) -> Plot:
    return {
        "control": lambda: control_of(0.0, 0.07, 0.2, batch=f"Frühling {CJK}"),
        "curve": curve_plot,
        "trend": lambda: trend_plot(told(SPRING, worn(0.02, 4))),
        "densities": lambda: densities_plot(roll_of_38()),
    }[request.param]()


def test_each_channel_has_a_shape_of_its_own(plot):
    root = svg_of(plot, standalone=True)
    assert root.tag == f"{SVG}svg"
    shapes = []
    for channel in CHANNELS:
        marks = [*by_class(root, "mark", channel), *by_class(root, "step", channel)]
        shapes.append({path.get("d") for group in marks for path in group.iter(f"{SVG}path")})
    assert [len(shape) for shape in shapes] == [1, 1, 1]
    assert len(set.union(*shapes)) == 3


def test_names_are_shown_as_text_whatever_they_hold():
    name = '"><x>$\\alpha$'
    root = svg_of(control_of(0.0, batch="<script>x</script>&\x00\x1b", name=name), standalone=True)
    assert not [element for element in root.iter() if element.tag.endswith(("script", "x"))]
    words = {element.text for element in root.iter(f"{SVG}text")}
    assert "batch <script>x</script>&" in words
    assert '"><x>$\\\N{HORIZONTAL ELLIPSIS}' in words


def test_it_is_labelled_for_those_who_do_not_see_it(plot):
    root = svg_of(plot)
    assert root.get("role") == "img"
    assert root.get("aria-label") == (f"{plot.title}. {plot.text}" if plot.text else plot.title)
    assert (root.findtext(f"{SVG}title"), root.findtext(f"{SVG}desc") or "") == (
        plot.title, plot.text,
    )  # fmt: skip


def test_it_stands_in_a_page_with_its_like_and_needs_nothing_from_elsewhere(plot):
    """Reference: html5lib's strict parser of the HTML standard."""
    svg = as_svg(plot)
    page = f"<!DOCTYPE html><html><head><title>a</title></head><body>{svg}{svg}</body></html>"
    tree = html5lib.HTMLParser(strict=True).parse(page)
    assert len(tree.findall(f".//{SVG}svg")) == 2
    assert not [element for element in tree.iter() if element.get("id")]
    for word in ("?xml", "href", "url(", "<script", "@import", "*{"):
        assert word not in svg


def test_all_text_is_inside_and_stays_text(plot):
    root = svg_of(plot)
    texts = list(root.iter(f"{SVG}text"))
    assert {"red", "green", "blue"} <= {text.text for text in texts}
    assert all(0 <= float(text.get("x")) <= plot.width for text in texts)
    assert all(0 <= float(text.get("y")) <= plot.height for text in texts)


def _luminance(colour: str) -> float:
    """Return relative luminance as WCAG 2.2 defines it."""
    light = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(light <= 0.04045, light / 12.92, ((light + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_marks_and_text_stand_out_on_light_dark_and_printed_pages(plot):
    """WCAG 2.2: 4.5 for text (1.4.3), 3 for graphics (1.4.11)."""
    style = as_svg(plot).split("<style>")[1].split("</style>")[0]
    schemes = re.findall(r"\.plot \{ (--[^}]*)\}", style)
    assert len(schemes) == 3
    for scheme in schemes:
        colours = dict(re.findall(r"--plot-(\w+): (#\w{6});", scheme))
        paper = _luminance(colours["paper"])
        for name, least in (("ink", 4.5), ("soft", 4.5), *((channel, 3.0) for channel in CHANNELS)):
            pair = sorted((paper, _luminance(colours[name])))
            assert (pair[1] + 0.05) / (pair[0] + 0.05) >= least


def test_no_colour_is_the_same_on_every_page(plot):
    drawn_part = as_svg(plot).split("</style>")[1]
    assert not re.search(r"#[0-9a-f]{3,6}\b", drawn_part)


def test_png_shows_marks_where_the_svg_has_them():
    plot = control_of(0.0, 0.07, -0.2)
    with Image.open(BytesIO(as_png(plot))) as image:
        pixels = np.asarray(image.convert("RGB"), int)
        notes = image.info
    assert pixels.shape[1::-1] == (round(2 * plot.width), round(2 * plot.height))
    # The last drawn of marks that lie over each other is blue.
    group = by_class(svg_of(plot), "mark", "blue")[1]
    places = [place for (place,) in px(group)]
    assert len(places) == 3
    for x, y in places:
        assert int(np.argmax(pixels[round(2 * y), round(2 * x)])) == 2
    assert notes["Description"] == plot.text


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_our_own_charts_are_known_as_ours(kind, plot, tmp_path):
    path = tmp_path / f"chart.{kind}"
    if kind == "svg":
        path.write_text(as_svg(plot, standalone=True), "utf-8")
    else:
        path.write_bytes(as_png(plot))
    assert is_ours(path)


def test_same_plot_same_bytes_whatever_its_user_draws_else(plot):
    with matplotlib.rc_context({"font.size": 30, "lines.linewidth": 9, "axes.facecolor": "red"}):
        once = as_svg(plot), as_png(plot)
    assert once == (as_svg(plot), as_png(plot))


def test_looks_of_other_plots_stay_as_they_were(plot):
    before = dict(matplotlib.rcParams)
    with drawn(plot):
        pass
    assert dict(matplotlib.rcParams) == before
    assert ElementTree.fromstring(as_svg(plot)).get("class") == "plot"
