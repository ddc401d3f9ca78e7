"""Frames of strips against the film model's truth."""

import itertools
from dataclasses import dataclass, replace

import numpy as np
import pytest
from skimage.transform import EuclideanTransform

from pipeline.frame.columns import Evidence, evidence
from pipeline.frame.frames import Frame, find_frames
from pipeline.frame.gate import GateHabit, usual_habit
from pipeline.profile.format import film_sizes, formats_on, frame_formats
from pipeline.strip.base import density_above, measure_base
from pipeline.strip.illumination import find_levels
from pipeline.strip.layout import find_strips
from pipeline.strip.view import StripView
from tests.film_model import Camera, FrameSpec, LightLeak, Roll, StripSpec, make_scan


@dataclass(frozen=True)
class Found:
    frames: tuple[Frame, ...]
    format: str
    habit: GateHabit
    view: StripView
    seen: Evidence
    truth: dict

    def error_mm(self, frame: Frame, true: dict) -> float:
        """Return the largest distance of a found corner from the nearest true one."""
        corners = self.view.to_proxy.onto(frame.corners())
        apart = np.linalg.norm(corners[:, None] - np.array(true["outline"]), axis=2)
        return float(apart.min(axis=1).max()) / self.view.px_per_mm


def found(spec: StripSpec, ppi: float = 150, **how) -> Found:
    scan = make_scan([spec], "scanner-a", ppi, 1, **how)
    light = (scan.codes / 65535).astype(np.float32)
    levels = find_levels(light, (scan.codes == 65535).any(axis=2))
    assert levels is not None
    (strip,) = find_strips(light, levels, ppi / 25.4)
    view = strip.view(light)
    base = measure_base(view.light, levels.illumination, levels.base_light, view.px_per_mm)
    assert base is not None
    above = density_above(view.light, base)
    seen = evidence(above, strip.film, view.px_per_mm, float(np.mean(base.spread)))
    result = find_frames(seen, formats_on(strip.film.name))
    truth = scan.truth["strips"][0]
    return Found(result.frames, result.format.name, result.habit, view, seen, truth)


def strip(*frames: FrameSpec | str, **how) -> StripSpec:
    specs = [FrameSpec(one) if isinstance(one, str) else one for one in frames]
    names = ("format", "leader_mm", "light_struck_mm", "camera", "leaks")
    roll = {key: how.pop(key) for key in names if key in how}
    return StripSpec(Roll("film-a", specs, seed=1, **roll), 0, len(specs), **how)


@pytest.fixture(scope="module")
def clear() -> Found:
    return found(strip("chart", "coffee", "table", angle_deg=0.6))


def test_outlines_of_clear_scenes_lie_within_a_quarter_millimetre(clear):
    assert [frame.kind for frame in clear.frames] == ["picture"] * 3
    for frame, true in zip(clear.frames, clear.truth["frames"], strict=True):
        assert clear.error_mm(frame, true) < 0.25
        assert frame.confidence > 0.85


@pytest.mark.parametrize("turn_deg", [90, 180])
def test_turning_the_scan_moves_no_frame(turn_deg):
    turned = found(strip("chart", "coffee", angle_deg=0.4), turn_deg=turn_deg)
    assert len(turned.frames) == 2
    for frame in turned.frames:
        assert min(turned.error_mm(frame, true) for true in turned.truth["frames"]) < 0.25


def test_the_habit_is_the_models(clear):
    true = [one["u_mm"] for one in clear.truth["frames"]]
    gaps = [after[0] - before[1] for before, after in itertools.pairwise(true)]
    assert clear.habit.gap_mm == pytest.approx(float(np.median(gaps)), abs=0.1)
    # ISO 1007 film; 24 x 36 mm is common practice, no source.
    assert clear.habit.length_mm == pytest.approx(36.0, abs=0.1)
    assert clear.habit.height_mm == pytest.approx(24.0, abs=0.1)
    assert clear.habit.tilt == pytest.approx(0.0, abs=0.001)


def test_a_turned_gate_turns_the_frames():
    seen = found(strip("chart", "coffee", "table", camera=Camera(gate_turn_deg=0.6)), ppi=200)
    for frame, true in zip(seen.frames, seen.truth["frames"], strict=True):
        assert seen.error_mm(frame, true) < 0.15
        assert np.degrees(np.arctan(frame.tilt)) == pytest.approx(0.6, abs=0.1)


def test_a_gate_of_another_size_is_measured():
    camera = Camera(gate_size_error_mm=(0.7, -0.3))
    seen = found(strip("chart", "coffee", "table", camera=camera), ppi=200)
    assert seen.habit.length_mm == pytest.approx(36.7, abs=0.1)
    assert seen.habit.height_mm == pytest.approx(23.7, abs=0.1)
    for frame, true in zip(seen.frames, seen.truth["frames"], strict=True):
        assert seen.error_mm(frame, true) < 0.15


def test_overlapping_pictures_are_told_apart():
    seen = found(strip("chart", FrameSpec("coffee", gap_mm=-3.2), "table"), ppi=200)
    assert [frame.kind for frame in seen.frames] == ["picture"] * 3
    assert seen.frames[0].end > seen.frames[1].start
    for frame, true in zip(seen.frames, seen.truth["frames"], strict=True):
        assert seen.error_mm(frame, true) < 0.25


def test_a_light_leak_across_a_gap_hides_no_edge():
    leak = LightLeak(at_mm=38.0, width_mm=8.0, depth_mm=15.0, stops=2.0)
    seen = found(strip("chart", "coffee", "table", leaks=(leak,)), ppi=200)
    assert len(seen.frames) == 3
    for frame, true in zip(seen.frames, seen.truth["frames"], strict=True):
        assert seen.error_mm(frame, true) < 0.25


def test_a_night_sky_is_no_blank_frame_and_is_told_with_doubt():
    seen = found(strip("chart", "night-sky", FrameSpec(kind="blank"), "coffee"), ppi=200)
    assert [frame.kind for frame in seen.frames] == ["picture", "picture", "blank", "picture"]
    assert seen.frames[1].confidence < seen.frames[0].confidence


def test_corners_turn_about_the_middle():
    frame = Frame(10.0, 46.0, 5.0, 29.0, "picture", 1.0, tilt=0.02)
    corners = frame.corners()
    # An independent rotation of the same box.
    turn = EuclideanTransform(rotation=np.arctan(0.02))
    box = np.array([[-18.0, -12.0], [18.0, -12.0], [18.0, 12.0], [-18.0, 12.0]])
    assert corners == pytest.approx(turn(box) + np.array([28.0, 17.0]))
    level = Frame(10.0, 46.0, 5.0, 29.0, "picture", 1.0).corners()
    assert level.tolist() == [[10.0, 5.0], [46.0, 5.0], [46.0, 29.0], [10.0, 29.0]]


@pytest.mark.parametrize(
    ("name", "count", "ppi"),
    [("135", 2, 150), ("135-half", 4, 150), ("120-6x6", 2, 100), ("120-6x4.5", 3, 100)],
)
def test_formats_are_told_apart(name, count, ppi):
    scenes = ("chart", "coffee", "table", "quay")[:count]
    seen = found(strip(*scenes, format=name), ppi=ppi)
    assert seen.format == name
    assert len(seen.frames) == count
    # ISO 1007 and ISO 732 name the films; lengths are common practice, no source.
    length_mm = {"135": 36.0, "135-half": 18.0, "120-6x6": 56.0, "120-6x4.5": 41.5}[name]
    for frame, true in zip(seen.frames, seen.truth["frames"], strict=True):
        assert (frame.end - frame.start) / seen.view.px_per_mm == pytest.approx(length_mm, abs=0.3)
        assert seen.error_mm(frame, true) < 0.25


def test_a_blank_and_a_thin_frame_keep_their_places():
    blank, thin = FrameSpec(kind="blank"), FrameSpec("coffee", exposure_stops=-3.0)
    seen = found(strip("chart", blank, thin))
    assert [frame.kind for frame in seen.frames] == ["picture", "blank", "picture"]
    errors = [
        seen.error_mm(frame, true)
        for frame, true in zip(seen.frames, seen.truth["frames"], strict=True)
    ]
    # A blank has no edges; its place follows from its neighbours and the usual gap.
    assert max(errors[0], errors[2]) < 0.25
    assert errors[1] < 0.8


def test_a_cut_through_a_picture_leaves_a_partial_frame():
    seen = found(strip("chart", "coffee", "table", trim_mm=(0.0, 15.0)))
    assert [frame.kind for frame in seen.frames] == ["picture", "picture", "partial"]
    last, true = seen.frames[-1], seen.truth["frames"][-1]
    assert seen.error_mm(last, true) < 0.25
    assert (last.end - last.start) / seen.view.px_per_mm == pytest.approx(
        true["u_mm"][1] - true["u_mm"][0], abs=0.25
    )


@pytest.mark.parametrize("gate_mm", [16.6, 17.0])
def test_half_frames_of_a_short_gate(gate_mm):
    camera = Camera(gate_size_error_mm=(gate_mm - 18.0, 0.0))
    names = ("coffee", "table", "coffee", "chart", "table", "coffee")
    seen = found(strip(*names, format="135-half", camera=camera))
    assert (seen.format, len(seen.frames)) == ("135-half", 6)
    for frame, true in zip(seen.frames, seen.truth["frames"], strict=True):
        assert seen.error_mm(frame, true) < 0.25


def test_a_light_struck_leader_is_no_picture():
    seen = found(strip("chart", "coffee", leader_mm=50.0, light_struck_mm=40.0))
    pictures = [frame for frame in seen.frames if frame.kind != "fogged"]
    assert [frame.kind for frame in pictures] == ["picture", "picture"]
    for frame, true in zip(pictures, seen.truth["frames"], strict=True):
        assert seen.error_mm(frame, true) < 0.25


def test_a_frame_struck_by_light_all_over_is_fogged():
    seen = found(strip("chart", FrameSpec(kind="fogged"), "coffee"))
    assert [frame.kind for frame in seen.frames] == ["picture", "fogged", "picture"]


def test_a_picture_that_light_struck_on_half_of_its_length_is_kept():
    # From the leader on, light reaches 22 mm into the first picture's 36.
    seen = found(strip("chart", "coffee", "table", leader_mm=10.0, light_struck_mm=33.0))
    assert [frame.kind for frame in seen.frames] == ["picture"] * 3
    for frame, true in zip(seen.frames, seen.truth["frames"], strict=True):
        assert seen.error_mm(frame, true) < 0.5


def test_a_known_habit_and_a_given_format_are_kept(clear):
    known = {"135": replace(usual_habit(frame_formats()["135"]), gap_mm=2.1, gap_spread_mm=0.35)}
    result = find_frames(clear.seen, (frame_formats()["135"],), known)
    assert result.format.name == "135"
    for frame, before in zip(result.frames, clear.frames, strict=True):
        assert (frame.start, frame.end) == pytest.approx((before.start, before.end), abs=0.2)


def test_the_right_format_explains_a_strip_best(clear):
    scores = {entry.name: find_frames(clear.seen, (entry,)).score for entry in formats_on("135")}
    assert max(scores, key=lambda name: scores[name]) == "135"


def test_no_frames_in_a_piece_shorter_than_any():
    above = np.zeros((210, 40, 3), np.float32)
    seen = evidence(above, film_sizes()["135"], 6.0, 0.005)
    assert find_frames(seen, formats_on("135")).frames == ()


def test_a_choice_of_no_formats_is_a_mistake(clear):
    with pytest.raises(ValueError, match="no format"):
        find_frames(clear.seen, ())


def test_a_picture_as_long_as_two_that_overlap_is_told_with_doubt():
    """Of the two edges where pictures lie over each other one alone shows."""
    above = np.zeros((210, 900, 3), np.float32)
    above += np.random.default_rng(1).normal(0, 0.003, above.shape).astype(np.float32)
    for start_mm, end_mm, density in (
        (1.0, 24.0, 0.5), (24.0, 60.0, 0.9), (62.0, 98.0, 0.6), (100.0, 136.0, 0.6),
    ):  # fmt: skip
        above[33:177, round(6 * start_mm) : round(6 * end_mm)] += density
    seen = evidence(above[:, : 6 * 137], film_sizes()["135"], 6.0, 0.003)
    found = find_frames(seen, formats_on("135"))
    whole = [frame for frame in found.frames if frame.end - frame.start < 6.0 * 37.5]
    longer = [frame for frame in found.frames if frame not in whole]
    assert longer
    assert all(frame.confidence < 0.95 for frame in longer)
    assert [frame.confidence > 0.95 for frame in found.frames[-2:]] == [True, True]
