"""The plot of a characteristic curve."""

import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest

from pipeline.curve_plot import CurvePlot, curve_plot, curve_svg
from pipeline.roll_curve import FilmCurve, film_curve
from tests.wedged import GRID, neutral_curve

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def curve() -> FilmCurve:
    logs = np.arange(-2.4, 2.5, 0.15)
    known = neutral_curve("film-a", "scanner-a")
    density = np.column_stack([np.interp(logs, GRID, known[:, n]) for n in range(3)])
    found = film_curve(logs, density, "wedge", ("03",), base_density=(0.0, 0.0, 0.0))
    assert found is not None
    return found


@pytest.fixture(scope="module")
def plot(curve) -> CurvePlot:
    return curve_plot(curve)


def test_steps_lie_on_the_curves_and_inside_the_frame(curve, plot):
    steps = [mark for mark in plot.marks if mark.kind == "step"]
    assert len(steps) == 3 * len(curve.log_exposure)
    for mark in plot.marks:
        assert plot.left <= mark.x <= plot.right
        assert plot.top <= mark.y <= plot.foot
        x, y = np.array(plot.lines[mark.channel]).T
        assert mark.y == pytest.approx(np.interp(mark.x, x, y), abs=2.5)


def test_more_exposure_is_to_the_right_and_more_density_above(plot):
    for line in plot.lines:
        x, y = np.array(line).T
        assert (np.diff(x) >= 0).all()
        assert (np.diff(y) <= 0).all()
    assert [tick.text for tick in plot.up][:2] == ["0.0", "0.5"]
    assert plot.up[0].at > plot.up[1].at
    assert plot.across[0].at < plot.across[1].at


def test_grid_and_curve_agree(curve, plot):
    # The x of a tick is the place of a step of that very exposure.
    ticks = {float(tick.text): tick.at for tick in plot.across}
    span = (ticks[2.0] - ticks[-2.0]) / 4.0
    steps = [mark.x for mark in plot.marks if mark.kind == "step" and mark.channel == 0]
    assert np.diff(steps) == pytest.approx(0.15 * span, abs=0.11)
    x1, y1, x2, y2 = plot.straight[1]
    up = {float(tick.text): tick.at for tick in plot.up}
    rise = (y1 - y2) / (up[0.0] - up[1.0])
    assert rise / ((x2 - x1) / span) == pytest.approx(curve.contrast[1], rel=0.02)


def test_toe_shoulder_and_speed_point_are_marked_where_there_are_any(curve, plot):
    for kind in ("toe", "shoulder", "speed"):
        assert sum(mark.kind == kind for mark in plot.marks) == 3
    bare = replace(
        curve, channels=tuple(replace(c, toe=None, shoulder=None) for c in curve.channels)
    )
    kinds = {mark.kind for mark in curve_plot(bare).marks}
    assert kinds == {"step", "speed"}


def test_names_beside_the_curves_stand_apart(plot):
    heights = sorted(y for _, y in plot.ends)
    assert (np.diff(heights) >= 14.9).all()


def test_the_drawing_is_one_element_that_says_what_it_is(curve):
    root = ElementTree.fromstring(curve_svg(curve))
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    title = root.find(f"{SVG}title")
    assert title is not None
    assert title.text is not None
    assert title.text.startswith("Characteristic curve from the wedge on frame 03: contrast red 0.")
    words = {text.text for text in root.iter(f"{SVG}text")}
    assert {"red", "green", "blue", "density", curve.scale, "speed point"} <= words


def test_channels_are_told_apart_without_colour(curve):
    root = ElementTree.fromstring(curve_svg(curve))
    groups = [g for g in root.iter(f"{SVG}g") if (g.get("class") or "").startswith("channel-")]
    shapes, lines = [], []
    for group in groups:
        marks = [item for item in group if item.get("class") == "step-mark"]
        shapes.append({item.tag for item in marks})
        line = group.find(f"{SVG}polyline")
        assert line is not None
        lines.append(line.get("stroke-dasharray"))
    assert shapes == [{f"{SVG}circle"}, {f"{SVG}rect"}, {f"{SVG}path"}]
    assert len(set(lines)) == 3


def test_it_needs_nothing_from_elsewhere_and_text_stays_text(curve):
    strange = replace(curve, frames=("<b>&",), scale="a < b & c")
    drawn = curve_svg(strange)
    assert "<b>" not in drawn
    assert "a &lt; b &amp; c" in drawn
    ElementTree.fromstring(drawn)
    for word in ("href", "url(", "<script", "@import"):
        assert word not in drawn
    assert "prefers-color-scheme: dark" in drawn


def test_negative_densities_and_short_ranges_fit_in(curve):
    logs = np.array([0.0, 0.1, 0.2, 0.3])
    short = film_curve(logs, np.column_stack([0.5 * logs - 0.3] * 3))
    assert short is not None
    plot = curve_plot(short)
    assert all(plot.top <= mark.y <= plot.foot for mark in plot.marks)
