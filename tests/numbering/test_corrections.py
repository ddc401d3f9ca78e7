"""Cuts: what corrections make of a made-up roll, in millimetres of its strips."""

import dataclasses
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.numbering.corrections import Recut, recut
from pipeline.numbering.numbers import number_roll
from pipeline.settings.correction import FrameCorrection, read_corrections
from tests.survey.surveyed import frame, strip

# 254 ppi: ten pixels a millimetre.
PX = 10.0
# Four frames of 36 mm (ISO 1007) 2 mm apart, the third one missing: a strip of 156 mm.
STARTS_MM = (2.0, 40.0, 116.0)


def rectangle(left: float, top: float, right: float, bottom: float):
    return tuple(
        (PX * x, PX * y) for x, y in ((left, top), (right, top), (right, bottom), (left, bottom))
    )


def made_strip(starts=STARTS_MM, name: str = "a.tif", **changes):
    frames = [
        dataclasses.replace(frame(), outline=rectangle(start, 5.5, start + 36.0, 29.5))
        for start in starts
    ]
    scan = SimpleNamespace(path=Path(name), page=0)
    return strip(frames, scan=scan, ppi=254.0, outline=rectangle(0, 0, 156, 35), **changes)


def planned(*entries: dict, strips=None) -> Recut:
    strips = strips or [made_strip(), made_strip(name="b.tif")]
    return recut(read_corrections(list(entries)), strips, number_roll(strips, None))


def bounds(plan: Recut, key: str) -> list[float]:
    """Return left, top, right, bottom in mm of a cut by its key."""
    (cut,) = [cut for cuts in plan.cuts.values() for cut in cuts if cut.key == key]
    corners = np.array(cut.outline) / PX
    return [*corners.min(axis=0), *corners.max(axis=0)]


def keys(plan: Recut, place: int = 0) -> list[str]:
    return [cut.key for cut in plan.cuts[place]]


def test_without_corrections_nothing_is_cut_anew():
    plan = planned()
    assert (plan.cuts, plan.troubles) == ({}, ())
    assert list(plan.numbers) == ["01", "02", "03", "04", "05", "06"]


def test_edges_move_right_and_down():
    told = {"left_mm": 1.0, "right_mm": -2.0, "top_mm": 0.5, "bottom_mm": 0.25, "move_mm": 3.0}
    plan = planned({"number": 2} | told)
    assert list(plan.cuts) == [0]
    assert bounds(plan, "02") == pytest.approx([44.0, 6.0, 77.0, 29.75])
    others = [cut for cut in plan.cuts[0] if cut.key != "02"]
    assert all((cut.outline, cut.kind) == (None, None) for cut in others)
    assert [cut.found for cut in plan.cuts[0]] == [0, 1, 2]


def test_edges_stay_on_the_strip():
    assert bounds(planned({"number": 1, "left_mm": -10, "top_mm": -40}), "01") == pytest.approx(
        [0.0, 0.0, 38.0, 29.5]
    )
    assert bounds(planned({"number": 3, "right_mm": 9, "bottom_mm": 9}), "03") == pytest.approx(
        [116.0, 5.5, 156.0, 35.0]
    )


def test_turned_frame_keeps_its_middle_and_size():
    corners = np.array(planned({"number": 2, "turn_deg": 1.0}).cuts[0][1].outline) / PX
    assert corners.mean(axis=0) == pytest.approx([58.0, 17.5])
    side = corners[1] - corners[0]
    assert np.hypot(*side) == pytest.approx(36.0)
    assert np.degrees(np.arctan2(side[1], side[0])) == pytest.approx(1.0)


def test_dropped_merged_and_other_kinds():
    plan = planned(
        {"number": 1, "merge_with": [2]},
        {"number": 3, "drop": True},
        {"number": 5, "kind": "blank"},
    )
    assert keys(plan) == ["01"]
    assert bounds(plan, "01") == pytest.approx([2.0, 5.5, 76.0, 29.5])
    assert keys(plan, 1) == ["04", "05", "06"]
    assert [(cut.kind, cut.outline) for cut in plan.cuts[1]] == [
        (None, None), ("blank", None), (None, None)
    ]  # fmt: skip
    assert sorted(plan.numbers) == ["01", "04", "05", "06"]


@pytest.mark.parametrize(
    ("told", "left", "right", "order"),
    [
        # Room of 40 mm between 02 and 03: 2 mm on either side of 36 mm.
        ({"after": 2}, 78.0, 114.0, ["01", "02", "+1", "03"]),
        ({"before": 3}, 78.0, 114.0, ["01", "02", "+1", "03"]),
        ({"after": 2, "gap_mm": 0.5}, 76.5, 112.5, ["01", "02", "+1", "03"]),
        ({"before": 3, "gap_mm": 1.5}, 78.5, 114.5, ["01", "02", "+1", "03"]),
        ({"after": 2, "gap_mm": 1, "right_mm": -3}, 77.0, 110.0, ["01", "02", "+1", "03"]),
        ({"after": 3}, 154.0, 156.0, ["01", "02", "03", "+1"]),
        ({"strip": 1, "at_mm": 78.5}, 78.5, 114.5, ["01", "02", "+1", "03"]),
        ({"scan": "a.tif", "at_mm": 0}, 0.0, 36.0, ["+1", "01", "02", "03"]),
    ],
)  # fmt: skip
def test_a_frame_is_added_where_it_is_told(told, left, right, order):
    plan = planned({"add": True} | told)
    assert plan.troubles == ()
    assert keys(plan) == order
    assert bounds(plan, "+1") == pytest.approx([left, 5.5, right, 29.5])
    (cut,) = [cut for cut in plan.cuts[0] if cut.key == "+1"]
    assert (cut.found, cut.kind) == (None, "picture" if right - left > 30 else "partial")


def test_several_frames_added_at_one_place_lie_farther_and_farther_out():
    wide = made_strip((2.0,), name="a.tif")
    plan = planned({"add": True, "after": 1}, {"add": True, "after": 1}, strips=[wide])
    assert keys(plan) == ["01", "+1", "+2"]
    # The usual gap of 135 film, 2 mm.
    assert bounds(plan, "+1")[0] == pytest.approx(40.0)
    assert bounds(plan, "+2")[0] == pytest.approx(78.0)
    late = made_strip((116.0,), name="a.tif")
    plan = planned({"add": True, "before": 1}, {"add": True, "before": 1}, strips=[late])
    assert keys(plan) == ["+2", "+1", "01"]
    assert bounds(plan, "+2")[2] == pytest.approx(76.0)
    assert [plan.numbers[key].number for key in keys(plan)] == ["01b", "01c", "01"]


def test_a_frame_is_added_beside_another_as_that_is_corrected():
    plan = planned({"add": True, "after": 2, "gap_mm": 2}, {"number": 2, "right_mm": -1.0})
    assert bounds(plan, "+1")[0] == pytest.approx(77.0)


def test_on_an_empty_strip_a_frame_lies_in_the_middle_of_the_film():
    plan = planned(
        {"add": "12", "scan": "b.tif", "at_mm": 3}, strips=[made_strip(), made_strip((), "b.tif")]
    )
    assert bounds(plan, "+1") == pytest.approx([3.0, 5.5, 39.0, 29.5])
    assert plan.numbers["+1"].number == "12"


@pytest.mark.parametrize(
    ("entries", "told"),
    [
        ([{"number": 9, "drop": True}], "no frame 09 on the roll as found, which has 01 to 06"),
        ([{"number": 1, "merge_with": 9}], "frame 01: there is no frame 09 on the roll"),
        ([{"number": 1, "merge_with": 3}], "frame 01 and 03 don't lie beside each other"),
        ([{"number": 3, "merge_with": 4}], "frame 03 and 04 don't lie beside each other"),
        ([{"number": 1, "left_mm": 20, "right_mm": -16}], "frame 01: moved so far, nothing"),
        ([{"number": 1, "top_mm": 24}], "frame 01: moved so far, nothing is left"),
        ([{"add": True, "after": 9}], "frame to add (entry 1 of [[frames]]): there is no frame 09"),
        ([{"add": True, "after": 3, "gap_mm": 4}], "the strip ends before it"),
        ([{"add": True, "strip": 1, "at_mm": 200}], "the strip ends before it"),
        ([{"add": True, "strip": 3, "at_mm": 2}], "there is no strip 3 on the roll; it has 2"),
        ([{"add": True, "scan": "c.tif", "at_mm": 2}], "no strip was found in a scan c.tif"),
        ([{"add": True, "after": 1}, {"number": 1, "drop": True}], "frame 01 is dropped"),
        ([{"add": True, "after": 2}, {"number": 1, "merge_with": 2}], "frame 02 is merged with 01"),
    ],
)  # fmt: skip
def test_what_cannot_be_obeyed_is_told_in_a_sentence(entries, told):
    plan = planned(*entries)
    assert any(told in trouble for trouble in plan.troubles)
    assert not any(cut.key.startswith("+") for cuts in plan.cuts.values() for cut in cuts)


def test_two_strips_in_one_scan_are_told_apart_by_their_count():
    strips = [made_strip(), made_strip((), "b.tif"), made_strip((), "b.tif")]
    plan = planned({"add": True, "scan": "b.tif", "at_mm": 2}, strips=strips)
    assert "b.tif holds 2 strips; write strip = 2" in plan.troubles[0]
    assert list(planned({"add": True, "strip": 3, "at_mm": 2}, strips=strips).cuts) == [2]


MOVES = st.floats(-40, 40)


@given(MOVES, MOVES, MOVES, MOVES, MOVES, st.sampled_from(["01", "02", "03"]))
def test_moved_edges_leave_a_frame_on_the_strip_or_are_refused(left, right, top, bottom, move, key):
    entry = FrameCorrection(1, key, left, right, top, bottom, move)
    strips = [made_strip()]
    plan = recut([entry], strips, number_roll(strips, None))
    if plan.troubles:
        assert plan.cuts == {}
        return
    if not entry.moves:
        assert plan.cuts == {}
        return
    x0, y0, x1, y1 = bounds(plan, key)
    assert -1e-6 <= x0 <= x1 - 1 + 1e-6 <= 155 + 1e-6
    assert -1e-6 <= y0 <= y1 - 1 + 1e-6 <= 34 + 1e-6
