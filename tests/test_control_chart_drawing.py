from dataclasses import replace
from io import BytesIO
from xml.etree import ElementTree

import html5lib
import numpy as np
import pytest
from PIL import Image
from pipeline.control_chart_drawing import control_chart_png, control_chart_svg

from pipeline.control import control_series
from pipeline.control_chart import control_chart
from pipeline.whole_file import is_ours
from tests.control_cases import aim

AIM = aim()
SVG = "{http://www.w3.org/2000/svg}"


def series_of(*by, batch="", name="s"):
    strips = [
        replace(AIM, strip=f"{name}{k}", batch=batch, ld=tuple(v + change for v in AIM.ld))
        for k, change in enumerate(by)
    ]
    return control_series(strips, AIM)


def test_svg_is_xml_with_a_shape_of_its_own_for_each_channel():
    root = ElementTree.fromstring(control_chart_svg(series_of(0.0, 0.07, 0.2), standalone=True))
    assert root.tag == f"{SVG}svg"
    marks = {}
    for element in root.iter():
        kinds = element.get("class", "").split()
        if "cc-mark" in kinds:
            marks.setdefault(kinds[1], set()).add(element.tag.removeprefix(SVG))
    assert marks == {"cc-0": {"circle"}, "cc-1": {"rect"}, "cc-2": {"path"}}


def test_rings_tell_limits_passed_without_colour():
    def rings(*by):
        return control_chart_svg(series_of(*by)).count('class="cc-ring"')

    # LD moves and HD - LD the other way; Z-131: action 0.06 / 0.07, control 0.08 / 0.09.
    assert rings(0.0) == 0
    assert rings(0.065) == 3
    assert rings(0.085) == 3 * 2 + 3
    assert rings(0.2) == 6 * 2


def test_names_are_shown_as_text_whatever_they_hold():
    hostile = series_of(0.0, batch="<script>x</script>&\x00\x1b", name='"><x>')
    text = control_chart_svg(hostile, name='a"b', standalone=True)
    root = ElementTree.fromstring(text)
    assert not [element for element in root.iter() if element.tag.endswith("script")]
    assert "<script>x</script>&" in [e.text and e.text[6:] for e in root.iter()][-1]


def test_it_is_labelled_for_those_who_do_not_see_it():
    root = ElementTree.fromstring(control_chart_svg(series_of(0.05), name="bath-1"))
    ids = root.get("aria-labelledby").split()
    assert ids == ["bath-1-title", "bath-1-text"]
    found = {element.get("id"): element.text for element in root.iter() if element.get("id")}
    assert found[ids[1]] == control_chart(series_of(0.05)).text
    assert root.get("role") == "img"


def test_it_stands_in_a_page():
    """Reference: html5lib's strict parser of the HTML standard."""
    chart = control_chart_svg(series_of(0.05))
    page = f"<!DOCTYPE html><html><head><title>a</title></head><body>{chart}</body></html>"
    tree = html5lib.HTMLParser(strict=True).parse(page)
    assert len(tree.findall(f".//{SVG}svg")) == 1
    assert "?xml" not in page


def _luminance(colour: str) -> float:
    """Return relative luminance as WCAG 2.2 defines it."""
    code = colour.lstrip("#")
    code = "".join(c * 2 for c in code) if len(code) == 3 else code
    light = np.array([int(code[k : k + 2], 16) for k in (0, 2, 4)]) / 255
    linear = np.where(light <= 0.04045, light / 12.92, ((light + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_marks_and_text_stand_out_on_light_dark_and_printed_pages():
    """WCAG 2.2: 4.5 for text (1.4.3), 3 for graphics (1.4.11)."""
    style = control_chart_svg(series_of(0.0)).split("<style>")[1].split("</style>")[0]
    schemes = [part.split("}")[0] for part in style.split("--cc-paper: ")[1:]]
    assert len(schemes) == 3
    for scheme in schemes:
        colours = {"paper": scheme.split(";")[0].strip()}
        for item in scheme.split(";")[1:]:
            name, _, value = item.strip().partition(": ")
            colours[name.removeprefix("--cc-")] = value
        paper = _luminance(colours["paper"])
        for name, least in (("ink", 4.5), ("soft", 4.5), ("0", 3.0), ("1", 3.0), ("2", 3.0)):
            pair = sorted((paper, _luminance(colours[name])))
            assert (pair[1] + 0.05) / (pair[0] + 0.05) >= least


def test_png_shows_marks_where_the_geometry_has_them():
    series = series_of(0.0, 0.07, -0.2)
    chart = control_chart(series)
    with Image.open(BytesIO(control_chart_png(series))) as image:
        pixels = np.asarray(image.convert("RGB"), int)
        notes = image.info
    assert pixels.shape[1::-1] == (round(2 * chart.width), round(2 * chart.height))
    strongest = {0: 0, 1: 1, 2: 2}
    for panel in chart.panels[1:2]:
        # The last drawn of marks that lie over each other is blue.
        for mark in (each for each in panel.marks if each.channel == 2):
            red_green_blue = pixels[round(2 * mark.y), round(2 * mark.x)]
            assert int(np.argmax(red_green_blue)) == strongest[mark.channel]
    assert notes["Description"] == chart.text


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_our_own_charts_are_known_as_ours(kind, tmp_path):
    path = tmp_path / f"chart.{kind}"
    if kind == "svg":
        path.write_text(control_chart_svg(series_of(0.0), standalone=True), "utf-8")
    else:
        path.write_bytes(control_chart_png(series_of(0.0)))
    assert is_ours(path)


def test_same_strips_same_bytes():
    series = series_of(0.0, 0.07, batch="Frühling \N{CJK UNIFIED IDEOGRAPH-6625}")
    assert control_chart_png(series) == control_chart_png(series)
    assert control_chart_svg(series) == control_chart_svg(series)
