import math
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.control import BEYOND_CONTROL, IN_CONTROL, control_series
from pipeline.control_chart import MOST_STRIPS, control_chart
from pipeline.readings import NOT_READ
from tests.control_cases import aim

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


def test_each_quantity_read_has_a_panel_with_its_limits():
    chart = control_chart(series_of([0.0, 0.05]))
    titles = [panel.title for panel in chart.panels]
    assert titles == ["D-min", "LD", "HD - LD", "D-max - yellow, blue"]
    labels = [[line.label for line in panel.lines] for panel in chart.panels]
    # Published limits, publication Z-131.
    assert labels[0] == ["aim", "action +0.03", "control +0.05"]
    assert labels[1][1:3] == ["action +0.06", "control +0.08"]
    assert "control -0.08" in labels[1]
    unread = control_chart(series_of([0.0], d_max=NOT_READ))
    assert [panel.title for panel in unread.panels] == titles[:3]


def test_marks_stand_in_proportion_between_aim_and_limit():
    panel = control_chart(series_of([0.04, -0.08, 0.2])).panels[1]
    height = {line.label.split(",")[0]: line.y for line in panel.lines}
    red = [mark for mark in panel.marks if mark.channel == 0]
    half = (height["aim"] + height["control +0.08"]) / 2
    assert red[0].y == pytest.approx(half, abs=0.11)
    assert red[1].y == pytest.approx(2 * height["aim"] - height["control +0.08"], abs=0.11)
    assert [mark.state for mark in red] == [IN_CONTROL, "beyond action", BEYOND_CONTROL]


@given(st.lists(st.floats(-0.7, 4.0) | st.just(math.nan), min_size=1, max_size=80))
@settings(max_examples=40)
def test_whatever_was_read_lies_inside_its_panel(values):
    chart = control_chart(series_of(values))
    for panel in chart.panels:
        for mark in panel.marks:
            assert panel.top <= mark.y <= panel.foot
            assert chart.left <= mark.x <= chart.right
        for line in panel.lines:
            assert panel.top <= line.y <= panel.foot
        points = sum(len(trace) for _, trace in panel.traces)
        assert points == len(panel.marks)
    places = [x for x, _ in chart.labels]
    assert places == sorted(places)


def test_a_trace_breaks_where_nothing_was_read():
    panel = control_chart(series_of([0.0, 0.01, math.nan, 0.02])).panels[1]
    assert [len(points) for channel, points in panel.traces if channel == 0] == [2, 1]


def test_of_many_strips_the_latest_are_drawn_and_it_is_said():
    chart = control_chart(series_of([0.0] * (MOST_STRIPS + 5)))
    assert f"the latest of {MOST_STRIPS + 5}" in chart.heading
    assert len([m for m in chart.panels[0].marks if m.channel == 0]) == MOST_STRIPS
    assert chart.width < 1500


def test_labels_never_touch_each_other():
    chart = control_chart(series_of([0.0] * MOST_STRIPS))
    apart = np.diff([x for x, _ in chart.labels])
    assert apart.min() >= 5 * 6.0
    assert chart.labels[0][1] == "05-03"


def test_batches_are_told_where_they_begin():
    strips = [replace(AIM, strip=str(k), batch="spring" if k < 2 else "summer") for k in range(4)]
    chart = control_chart(control_series(strips, AIM))
    assert [name for _, name in chart.batches] == ["batch spring", "batch summer"]
    marks = [mark.x for mark in chart.panels[0].marks if mark.channel == 1]
    assert marks[1] < chart.batches[1][0] < marks[2]
    assert [text for _, text in chart.labels] == ["0", "1", "2", "3"]


def test_names_of_short_batches_are_left_out_before_they_touch():
    strips = [replace(AIM, strip=str(k), batch=f"kit {k // 3}") for k in range(60)]
    chart = control_chart(control_series(strips, AIM))
    assert len(chart.batches) == 20
    assert {name for _, name in chart.batches[:-1]} == {""}
    assert chart.batches[-1][1] == "batch kit 19"
    assert control_chart(series_of([0.0])).batches == ()


def test_the_chart_says_in_words_what_it_shows():
    text = control_chart(series_of([0.0, 0.05])).text
    assert text.startswith("2 control strips: density less aim, from 2025-05-03 to 2025-05-06.")
    assert "LD +0.05 / +0.00 / +0.00" in text
    first = control_chart(control_series([AIM, AIM], None))
    assert "(the first strip stands for the aim)" in first.heading


def test_a_series_without_strips_is_an_empty_chart():
    chart = control_chart(control_series([], AIM))
    assert chart.panels == ()
    assert chart.height > 0
