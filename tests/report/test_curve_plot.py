"""The plot of a characteristic curve."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.axes import Axes

from pipeline.densities.roll_curve import FilmCurve, film_curve
from pipeline.kinds import CHANNELS
from pipeline.report.curve_plot import film_curve_plot
from pipeline.report.plot import drawn
from tests.chart.wedged import GRID, neutral_curve
from tests.report.drawn import SVG, artists, by_class, points, px, svg_of


@pytest.fixture(scope="module")
def curve() -> FilmCurve:
    logs = np.arange(-2.4, 2.5, 0.15)
    known = neutral_curve("film-a", "scanner-a")
    density = np.column_stack([np.interp(logs, GRID, known[:, n]) for n in range(3)])
    found = film_curve(logs, density, "wedge", ("03",), base_density=(0.0, 0.0, 0.0))
    assert found is not None
    return found


@pytest.fixture
def axes(curve) -> Iterator[Axes]:
    with drawn(film_curve_plot(curve)) as figure:
        yield figure.axes[0]


def test_steps_lie_on_the_curves_and_inside_the_frame(curve, axes):
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    for channel in CHANNELS:
        steps = points(axes, f".step.{channel}")
        assert len(steps) == len(curve.log_exposure)
        line = np.array(points(axes, f".line.{channel}")).T
        for kind in ("step", "toe", "shoulder", "speed"):
            for x, y in points(axes, f".{kind}.{channel}"):
                assert left <= x <= right
                assert low <= y <= high
                off = axes.transData.transform((x, np.interp(x, *line))) - axes.transData.transform(
                    (x, y)
                )
                assert abs(off[1]) <= 2.5


def test_more_exposure_is_to_the_right_and_more_density_above(curve):
    root = svg_of(film_curve_plot(curve))
    for channel in CHANNELS:
        (group,) = by_class(root, "line", channel)
        ((x, y),) = (np.array(path).T for path in px(group))
        assert (np.diff(x) >= 0).all()
        assert (np.diff(y) <= 0).all()
    ticks = [text for text in root.iter(f"{SVG}text") if text.text in ("0.0", "0.5", "-1.0")]
    up = {text.text: float(text.get("y")) for text in ticks if "end" in text.get("style")}
    across = {text.text: float(text.get("x")) for text in ticks if "middle" in text.get("style")}
    assert up["0.0"] > up["0.5"]
    assert across["-1.0"] < across["0.0"] < across["0.5"]


def test_grid_and_curve_agree(curve):
    # The x of a tick is the place of a step of that very exposure.
    root = svg_of(film_curve_plot(curve))
    texts = [text for text in root.iter(f"{SVG}text") if (text.text or "")[-2:] in (".0", ".5")]
    ticks = {float(t.text): float(t.get("x")) for t in texts if "middle" in t.get("style")}
    up = {float(t.text): float(t.get("y")) for t in texts if "end" in t.get("style")}
    span = (ticks[2.0] - ticks[-2.0]) / 4.0
    (group,) = by_class(root, "step", "red")
    steps = [x for ((x, _),) in px(group)]
    assert np.diff(steps) == pytest.approx(0.15 * span, abs=0.11)
    assert steps[0] == pytest.approx(ticks[-2.0] - 0.4 * span, abs=0.11)
    (group,) = by_class(root, "slope", "green")
    (((x1, y1), (x2, y2)),) = px(group)
    rise = (y1 - y2) / (up[0.0] - up[1.0])
    assert rise / ((x2 - x1) / span) == pytest.approx(curve.contrast[1], rel=0.02)


def test_toe_shoulder_and_speed_point_are_marked_where_there_are_any(curve, axes):
    for kind in ("toe", "shoulder", "speed"):
        assert sum(len(artists(axes, f".{kind}.{channel}")) for channel in CHANNELS) == 3
    bare = replace(
        curve, channels=tuple(replace(c, toe=None, shoulder=None) for c in curve.channels)
    )
    with drawn(film_curve_plot(bare)) as figure:
        selectors = [each.get_gid() or "" for each in figure.axes[0].get_children()]
    kinds = {selector.split(".")[1] for selector in selectors if selector}
    assert kinds == {"line", "slope", "step", "speed"}


def test_names_of_the_curves_stand_apart(curve):
    root = svg_of(film_curve_plot(curve))
    heights = sorted(float(t.get("y")) for t in root.iter(f"{SVG}text") if t.text in CHANNELS)
    assert len(heights) == 3
    assert (np.diff(heights) >= 14.9).all()


def test_the_drawing_is_one_element_that_says_what_it_is(curve):
    root = svg_of(film_curve_plot(curve))
    title = root.findtext(f"{SVG}title")
    assert title.startswith("Characteristic curve from the wedge on frame 03: contrast red 0.")
    words = {text.text for text in root.iter(f"{SVG}text")}
    assert {"red", "green", "blue", "density", curve.scale, "speed point"} <= words


def test_channels_are_told_apart_without_colour(curve):
    root = svg_of(film_curve_plot(curve))
    lines = {by_class(root, "line", channel)[0][0].get("style") for channel in CHANNELS}
    dashes = {"".join(part for part in line.split("; ") if "dasharray" in part) for line in lines}
    assert len(dashes) == 3


def test_text_stays_text(curve):
    strange = replace(curve, frames=("<b>&",), scale="a < b & c")
    root = svg_of(film_curve_plot(strange))
    assert "on frame <b>&:" in root.findtext(f"{SVG}title")
    assert "a < b & c" in {text.text for text in root.iter(f"{SVG}text")}


def test_negative_densities_and_short_ranges_fit_in():
    logs = np.array([0.0, 0.1, 0.2, 0.3])
    short = film_curve(logs, np.column_stack([0.5 * logs - 0.3] * 3))
    assert short is not None
    with drawn(film_curve_plot(short)) as figure:
        low, high = figure.axes[0].get_ylim()
        for channel in CHANNELS:
            assert all(low <= y <= high for _, y in points(figure.axes[0], f".step.{channel}"))
