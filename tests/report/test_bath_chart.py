import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from pipeline.bath.batch import Batch, Use
from pipeline.bath.wear import trend
from pipeline.bath.words import chart_text
from pipeline.kinds import CHANNELS
from pipeline.report.bath_chart import trend_plot
from pipeline.report.plot import as_svg
from tests.bath.test_wear import SPRING, told, worn
from tests.report.drawn import SVG, by_class, px, svg_of
from tests.report.test_roll_page import CHROMIUM, QUIET


def chart(batch: Batch, uses: list[Use]) -> ElementTree.Element:
    return svg_of(trend_plot(told(batch, uses)))


def test_marks_stand_where_the_rolls_do():
    root = chart(SPRING, worn(0.02, 4))
    bars = by_class(root, "mean")
    said = [
        "roll 00: 0.80, 100 % of fresh", "roll 01: 0.78, 98 % of fresh",
        "roll 02: 0.77, 96 % of fresh", "roll 03: 0.75, 94 % of fresh",
    ]  # fmt: skip
    assert [bar.findtext(f"{SVG}title") for bar in bars] == said
    for channel in CHANNELS:
        marks = by_class(root, "mark", channel)
        assert [mark.findtext(f"{SVG}title") for mark in marks] == said
    (fit,) = px(by_class(root, "fit")[0])
    across = []
    for bar in bars:
        (((x, y),),) = px(bar)
        after = next(point for point in fit if point[0] >= x - 0.01)
        # A steady fall: every mean lies on the line, to a px.
        assert y == pytest.approx(after[1], abs=5)
        across.append(x)
    assert across == sorted(across)
    assert by_class(root, "band")
    assert by_class(root, "spent")


def test_the_key_names_all_that_is_drawn():
    words = [each.text for each in chart(SPRING, worn(0.02, 4)).iter(f"{SVG}text")]
    assert {"red", "green", "blue", "mean", "90 % interval", "spent", "now"} <= set(words)


def test_everything_lies_inside_whatever_the_figures():
    wild = [*worn(0.0, 5), Use("spring", "dead", edge_print=(-0.01, 0.0, 4.0), rolls=40)]
    for uses in (wild, worn(-0.3, 5), worn(0.5, 9), worn(0.0, 3)):
        root = chart(SPRING, uses)
        for name in ("band", "fit", "mean", "mark", "spent", "now"):
            for each in by_class(root, name):
                for x, y in (point for path in px(each) for point in path):
                    assert 0 <= x <= 680
                    assert 40 <= y <= 300
        labels = [each.text for each in root.iter(f"{SVG}text") if (each.text or "").endswith(" %")]
        assert 2 <= len(labels) <= 12
        assert len(set(labels)) == len(labels)


def test_names_are_text_and_never_markup():
    name = '<script>alert("x")</script> & "co" \N{CYRILLIC SMALL LETTER ZHE}' + "y" * 200
    uses = [replace(use, roll=f"<b>{use.roll}", batch=name) for use in worn(0.02)]
    root = chart(Batch(name), uses)
    assert f"batch {name}" in root.findtext(f"{SVG}title")
    assert not list(root.iter(f"{SVG}script"))
    (title,) = [each.text for each in root.iter(f"{SVG}text") if "batch" in each.text]
    assert len(title) == 80


def test_a_batch_without_rolls_is_drawn_by_its_maker_alone():
    made = trend(Batch("spring", life_rolls=16.0), [])
    assert made is not None
    assert chart_text(made) == "0 measured rolls; no roll has gone through the batch."
    root = svg_of(trend_plot(made))
    assert not by_class(root, "mean")
    assert by_class(root, "fit")


def test_text_tells_the_figures():
    text = chart_text(told(SPRING, worn(0.02, 10)))
    assert text.startswith("10 measured rolls; after 10 rolls the edge print is at 82 % of fresh")
    assert text.endswith("spent is 93 %.")


def test_it_stands_in_a_page_and_alone_in_light_and_dark(tmp_path):
    """Shown by a browser: no accessibility fault (axe-core), and light text on dark and back."""
    made = told(SPRING, worn(0.02))
    alone = tmp_path / "trend.svg"
    alone.write_text(as_svg(trend_plot(made), standalone=True), "utf-8")
    page_text = (
        '<!DOCTYPE html><html lang="en"><head><meta name="color-scheme" content="light dark">'
        f"<title>t</title></head><body><main><h1>t</h1>{as_svg(trend_plot(made))}</main></body></html>"
    )
    (tmp_path / "page.html").write_text(page_text, "utf-8")
    ink = "getComputedStyle(document.querySelector('.fit path')).stroke"
    paper = "getComputedStyle(document.querySelector('.ground path')).fill"
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
