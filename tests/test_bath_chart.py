import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from pipeline.bath import Batch, Use
from pipeline.bath_chart import bath_chart_svg
from pipeline.bath_report import chart_text
from pipeline.bath_trend import trend
from tests.test_bath_trend import SPRING, told, worn
from tests.test_report import CHROMIUM, QUIET

SVG = "{http://www.w3.org/2000/svg}"


def drawn(batch: Batch, uses: list[Use], **words: bool) -> ElementTree.Element:
    return ElementTree.fromstring(bath_chart_svg(told(batch, uses), **words))


def by_class(root: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    return [each for each in root.iter() if name in each.get("class", "").split()]


def path_points(path: str) -> list[tuple[float, float]]:
    numbers = [float(number) for number in re.findall(r"-?[\d.]+", path)]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def test_marks_stand_where_the_rolls_do():
    root = drawn(SPRING, worn(0.02, 4))
    groups = root.findall(f"{SVG}g")
    assert [group.findtext(f"{SVG}title") for group in groups] == [
        "roll 00: 0.80, 100 % of fresh", "roll 01: 0.78, 98 % of fresh",
        "roll 02: 0.77, 96 % of fresh", "roll 03: 0.75, 94 % of fresh",
    ]  # fmt: skip
    fit = path_points(by_class(root, "b-fit")[0].get("d"))
    bars = [re.match(r"M([\d.]+) ([\d.]+)h22", group[1].get("d")) for group in groups]
    for bar in bars:
        x, y = float(bar[1]) + 11, float(bar[2])
        after = next(point for point in fit if point[0] >= x)
        # A steady fall: every mean lies on the line, to a px.
        assert y == pytest.approx(after[1], abs=5)
    across = [float(bar[1]) for bar in bars]
    assert across == sorted(across)
    assert by_class(root, "b-band")
    assert by_class(root, "b-spent")


def test_channels_differ_by_shape():
    root = drawn(SPRING, worn(0.02, 4))
    shapes = [{each.tag for each in by_class(root, f"b-c{channel}")} for channel in range(3)]
    assert shapes == [{f"{SVG}circle"}, {f"{SVG}rect"}, {f"{SVG}path"}]
    words = [each.text for each in root.iter(f"{SVG}text")]
    assert {"red", "green", "blue", "mean", "90 % interval", "spent", "now"} <= set(words)


def test_everything_lies_inside_whatever_the_figures():
    wild = [*worn(0.0, 5), Use("spring", "dead", edge_print=(-0.01, 0.0, 4.0), rolls=40)]
    for uses in (wild, worn(-0.3, 5), worn(0.5, 9), worn(0.0, 3)):
        root = drawn(SPRING, uses)
        for name in ("b-band", "b-fit", "b-grid"):
            for each in by_class(root, name):
                if each.tag == f"{SVG}path" and "h16" not in each.get("d"):
                    numbers = [float(n) for n in re.findall(r"-?[\d.]+", each.get("d"))]
                    assert all(0 <= number <= 640 for number in numbers)
        labels = [each.text for each in root.iter(f"{SVG}text") if (each.text or "").endswith(" %")]
        assert 2 <= len(labels) <= 12
        assert len(set(labels)) == len(labels)


def test_names_are_text_and_never_markup():
    name = '<script>alert("x")</script> & "co" \N{CYRILLIC SMALL LETTER ZHE}' + "y" * 200
    uses = [replace(use, roll=f"<b>{use.roll}", batch=name) for use in worn(0.02)]
    root = drawn(Batch(name), uses)
    assert f"batch {name}" in root.findtext(f"{SVG}title")
    assert not list(root.iter(f"{SVG}script"))
    title = by_class(root, "b-title")[0].text
    assert len(title) == 80


def test_a_batch_without_rolls_is_drawn_by_its_maker_alone():
    made = trend(Batch("spring", life_rolls=16.0), [])
    assert made is not None
    assert chart_text(made) == "0 measured rolls; no roll has gone through the batch."
    root = ElementTree.fromstring(bath_chart_svg(made))
    assert not root.findall(f"{SVG}g")
    assert by_class(root, "b-fit")


def test_text_tells_the_figures():
    text = chart_text(told(SPRING, worn(0.02, 10)))
    assert text.startswith("10 measured rolls; after 10 rolls the edge print is at 82 % of fresh")
    assert text.endswith("spent is 93 %.")


def test_it_stands_in_a_page_and_alone_in_light_and_dark(tmp_path):
    """Shown by a browser: no accessibility fault (axe-core), and light text on dark and back."""
    made = told(SPRING, worn(0.02))
    alone = tmp_path / "trend.svg"
    alone.write_text(bath_chart_svg(made, standalone=True), "utf-8")
    page_text = (
        '<!DOCTYPE html><html lang="en"><head><meta name="color-scheme" content="light dark">'
        f"<title>t</title></head><body><main><h1>t</h1>{bath_chart_svg(made)}</main></body></html>"
    )
    (tmp_path / "page.html").write_text(page_text, "utf-8")
    ink = "getComputedStyle(document.querySelector('.b-fit')).stroke"
    paper = "getComputedStyle(document.querySelector('.b-paper')).fill"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        shades = []
        for scheme in ("light", "dark"):
            page = browser.new_page(color_scheme=scheme)
            page.goto(alone.as_uri())
            shades.append((page.evaluate(ink), page.evaluate(paper)))
            page.goto((tmp_path / "page.html").as_uri())
            assert Axe().run(page).response["violations"] == []
            page.close()
        browser.close()
    lightness = [
        tuple(sum(map(int, re.findall(r"\d+", shade)[:3])) for shade in pair) for pair in shades
    ]
    assert lightness[0][0] < 300 < lightness[0][1]
    assert lightness[1][1] < 300 < lightness[1][0]
