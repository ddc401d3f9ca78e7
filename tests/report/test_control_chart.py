import math
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.control.readings import NOT_READ
from pipeline.control.series import control_series
from pipeline.kinds import CHANNELS
from pipeline.report.control_chart import MOST_STRIPS, control_plot
from pipeline.report.plot import drawn
from tests.judged.control_cases import aim
from tests.report.drawn import artists, by_class, points, px, svg_of, texts

AIM = aim()


def series_of(values, **changes):
    """Return a series of strips whose LD red lies so far from the aim, three days apart."""
    strips = [
        replace(
            AIM,
            strip=f"s{place}",
            date=datetime(2025, 5, 3) + timedelta(3 * place),
            ld=(AIM.ld[0] + value, *AIM.ld[1:]),
            **changes,
        )
        for place, value in enumerate(values)
    ]
    return control_series(strips, AIM)


@contextmanager
def panels(series):
    with drawn(control_plot(series)) as figure:
        yield figure.axes


def rings(axes):
    return [len(ring.get_xydata()[ring.get_markevery()]) for ring in artists(axes, ".ring")]


def batch_names(axes):
    return [text for text in texts(axes) if text.startswith("batch")]


def test_each_quantity_read_has_a_panel_with_its_limits():
    names = ["D-min", "LD", "HD - LD", "D-max - yellow, blue"]
    with panels(series_of([0.0, 0.05])) as axes:
        assert [each.get_title(loc="left") for each in axes] == names
        # Published limits, publication Z-131.
        assert texts(axes[0]) == ["aim", "action +0.03", "control +0.05"]
        assert texts(axes[1])[1:3] == ["action +0.06", "control +0.08"]
        assert "control -0.08" in texts(axes[1])
    with panels(series_of([0.0], d_max=NOT_READ)) as axes:
        assert [each.get_title(loc="left") for each in axes] == names[:3]


def test_marks_stand_in_proportion_between_aim_and_limit():
    with panels(series_of([0.04, -0.08, 0.2])) as (_, axes, *_):
        heights = [y for _, y in axes.transData.transform(points(axes, ".mark.red"))]
        ends = axes.transData.transform([(0, 0), (0, 0.08)])[:, 1]
        assert [y for _, y in points(axes, ".control")][:1] == [pytest.approx(0.08)]
        assert heights[0] == pytest.approx(ends.mean(), abs=0.11)
        assert heights[1] == pytest.approx(2 * ends[0] - ends[1], abs=0.11)
        # On a limit is not beyond it: the second is beyond action alone, the third beyond both.
        assert rings(axes) == [2, 1, 0, 0, 0, 0]


@given(st.lists(st.floats(-0.7, 4.0) | st.just(math.nan), min_size=1, max_size=80))
@settings(max_examples=40)
def test_whatever_was_read_lies_inside_its_panel(values):
    with panels(series_of(values)) as shown:
        for axes in shown:
            (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
            for channel in CHANNELS:
                read = [p for p in points(axes, f".mark.{channel}") if math.isfinite(p[1])]
                assert all(left <= x <= right and low <= y <= high for x, y in read)
                trace = points(axes, f".trace.{channel}")
                assert [p for p in trace if math.isfinite(p[1])] == read
            for kind in (".aim", ".action", ".control"):
                assert all(low <= y <= high for _, y in points(axes, kind))
        places = list(shown[-1].get_xticks())
        assert places == sorted(places)


def test_a_trace_breaks_where_nothing_was_read():
    root = svg_of(control_plot(series_of([0.0, 0.01, math.nan, 0.02, 0.03])))
    trace = by_class(root, "trace", "red")[1][0].get("d")
    assert [part.count("L") for part in trace.split("M")[1:]] == [1, 1]


def test_of_many_strips_the_latest_are_drawn_and_it_is_said():
    plot = control_plot(series_of([0.0] * (MOST_STRIPS + 5)))
    assert f"the latest of {MOST_STRIPS + 5}" in plot.heading
    assert plot.width < 1500
    with drawn(plot) as figure:
        assert len(points(figure.axes[0], ".mark.red")) == MOST_STRIPS


def test_labels_never_touch_each_other():
    with panels(series_of([0.0] * MOST_STRIPS)) as axes:
        assert np.diff(axes[-1].get_xticks()).min() >= 5 * 6.0
        assert axes[-1].get_xticklabels()[0].get_text() == "05-03"


def test_batches_are_told_where_they_begin():
    strips = [replace(AIM, strip=str(k), batch="spring" if k < 2 else "summer") for k in range(4)]
    with panels(control_series(strips, AIM)) as axes:
        assert batch_names(axes[0]) == ["batch spring", "batch summer"]
        marks = [x for x, _ in points(axes[0], ".mark.green")]
        assert marks[1] < points(axes[0], ".batch")[2][0] < marks[2]
        assert [each.get_text() for each in axes[-1].get_xticklabels()] == ["0", "1", "2", "3"]


def test_names_of_short_batches_are_left_out_before_they_touch():
    strips = [replace(AIM, strip=str(k), batch=f"kit {k // 3}") for k in range(60)]
    with panels(control_series(strips, AIM)) as axes:
        assert len(artists(axes[0], ".batch")) == 20
        assert batch_names(axes[0]) == ["batch kit 19"]
    with panels(series_of([0.0])) as axes:
        assert artists(axes[0], ".batch") == []


def test_the_chart_says_in_words_what_it_shows():
    text = control_plot(series_of([0.0, 0.05])).text
    assert text.startswith("2 control strips: density less aim, from 2025-05-03 to 2025-05-06.")
    assert "LD +0.05 / +0.00 / +0.00" in text
    first = control_plot(control_series([AIM, AIM], None))
    assert "(the first strip stands for the aim)" in first.heading


def test_a_series_without_strips_is_an_empty_chart():
    plot = control_plot(control_series([], AIM))
    assert plot.height > 0
    with drawn(plot) as figure:
        assert figure.axes == []


def test_rings_tell_limits_passed_without_colour():
    def ringed(by):
        strip = replace(AIM, ld=tuple(value + by for value in AIM.ld))
        root = svg_of(control_plot(control_series([strip], AIM)))
        return sum(len(list(px(group))) for group in by_class(root, "ring"))

    # LD moves and HD - LD the other way; Z-131: action 0.06 / 0.07, control 0.08 / 0.09.
    assert ringed(0.0) == 0
    assert ringed(0.065) == 3
    assert ringed(0.085) == 3 * 2 + 3
    assert ringed(0.2) == 6 * 2
