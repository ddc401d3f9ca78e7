"""The camera's habit over a roll."""

import pytest

from pipeline.frame.gate import shared_habit, usual_habit, usual_habits
from pipeline.profile.format import frame_formats

FORMAT = frame_formats()["135"]


def habit(length_mm: float, gap_mm: float, tilt: float = 0.0):
    from dataclasses import replace

    known = replace(usual_habit(FORMAT), length_mm=length_mm, gap_mm=gap_mm, tilt=tilt)
    return replace(known, length_spread_mm=0.05, gap_spread_mm=0.2)


def test_any_camera_of_a_format():
    usual = usual_habit(FORMAT)
    # 24 x 36 mm, 2 mm apart on 38.00 mm pitch (ISO 1007 film; common practice, no source).
    assert (usual.length_mm, usual.height_mm, usual.gap_mm) == (36.0, 24.0, 2.0)
    assert usual.tilt == 0.0


def test_a_longer_gate_leaves_a_shorter_gap():
    # 4 perforations of 4.75 mm (ISO 1007) carry a half frame and its gap, whatever the gate.
    habits = usual_habits(frame_formats()["135-half"])
    lengths = [habit.length_mm for habit in habits]
    assert min(lengths) < 16.7
    assert 18.0 in lengths
    assert max(lengths) > 18.3
    assert [h.length_mm + h.gap_mm for h in habits] == pytest.approx([19.0] * len(habits))
    full = [habit.length_mm for habit in usual_habits(FORMAT)]
    assert usual_habit(FORMAT) in usual_habits(FORMAT)
    # Early cameras of 24 x 34 mm, and gates up to 37 mm (common practice, no source).
    assert min(full) < 34.5
    assert max(full) < 38.0


def test_strips_share_the_middle_of_what_they_show():
    strips = [(habit(36.4, 1.5), 5), (habit(36.5, 1.6), 5), (habit(33.0, 7.0), 2)]
    shared = shared_habit(strips)
    assert shared is not None
    assert shared.length_mm == pytest.approx(36.4, abs=0.11)
    assert shared.gap_mm == pytest.approx(1.55, abs=0.06)
    # Knowing the camera narrows what its pictures measure.
    assert shared.length_spread_mm < usual_habit(FORMAT).length_spread_mm


def test_each_strip_keeps_its_own_tilt():
    shared = shared_habit([(habit(36.0, 2.0, tilt=0.02), 6)])
    assert shared is not None
    assert shared.tilt == 0.0


@pytest.mark.parametrize("strips", [[], [(habit(36.0, 2.0), 3)], [(habit(36.0, 2.0), 0)] * 9])
def test_too_little_is_no_habit(strips):
    assert shared_habit(strips) is None
