"""Spans of frames on strips whose evidence is drawn by hand."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from pipeline.frame.columns import evidence
from pipeline.frame.frames import find_frames
from pipeline.frame.gate import usual_habit
from pipeline.frame.spans import Span, solve_spans
from pipeline.profile.format import film_sizes, formats_on, frame_formats
from tests.frame.drawn import BOTTOM, FILM, HEIGHT, PX_PER_MM, TOP, seen

HABIT = usual_habit(frame_formats()["135"])


def spans_mm(spans: Sequence[Span]) -> list[tuple[float, float, str]]:
    return [(span.start / PX_PER_MM, span.end / PX_PER_MM, span.kind) for span in spans]


def assert_spans(found: Sequence[Span], true: Sequence[tuple[float, float, str]], within=0.6):
    assert [span.kind for span in found] == [kind for *_, kind in true]
    for (start, end, _), (first, last, _) in zip(spans_mm(found), true, strict=True):
        assert start == pytest.approx(first, abs=within)
        assert end == pytest.approx(last, abs=within)


REGULAR = [(1.0 + 38.0 * n, 37.0 + 38.0 * n) for n in range(4)]


def test_regular_pictures():
    _, spans = solve_spans(seen(152.0, REGULAR), HABIT)
    assert_spans(spans, [(*place, "picture") for place in REGULAR])


@pytest.mark.parametrize("gap", [0.4, 1.0, 4.0, 6.0])
def test_gaps_of_any_width(gap):
    places = [(1.0, 37.0), (39.0, 75.0), (75.0 + gap, 111.0 + gap)]
    _, spans = solve_spans(seen(113.0 + gap, places), HABIT)
    assert_spans(spans, [(*place, "picture") for place in places])


def test_a_blank_frame_keeps_its_place():
    _, spans = solve_spans(seen(152.0, [REGULAR[0], REGULAR[1], REGULAR[3]]), HABIT)
    kinds = ("picture", "picture", "blank", "picture")
    true = [(*place, kind) for place, kind in zip(REGULAR, kinds, strict=True)]
    assert_spans(spans, true, within=1.0)


def test_two_blanks_in_a_row_are_two():
    _, spans = solve_spans(seen(152.0, [REGULAR[0], REGULAR[3]]), HABIT)
    assert [span.kind for span in spans] == ["picture", "blank", "blank", "picture"]


@pytest.mark.parametrize("lamp", [(50.0, 52.0), (73.0, 75.0), (39.0, 40.0)])
def test_a_night_with_one_lamp_is_no_blank(lamp):
    _, spans = solve_spans(seen(152.0, [REGULAR[0], lamp, *REGULAR[2:]]), HABIT)
    assert_spans(spans, [(*place, "picture") for place in REGULAR], within=1.0)


@pytest.mark.parametrize(("room", "blanks"), [(20.0, 0), (30.0, 0), (38.0, 1), (76.0, 2)])
def test_room_for_a_frame_at_the_end_is_a_blank(room, blanks):
    _, spans = solve_spans(seen(76.0 + room, REGULAR[:2]), HABIT)
    assert [span.kind for span in spans] == ["picture", "picture", *["blank"] * blanks]


def test_a_doorpost_is_no_gap():
    _, spans = solve_spans(seen(152.0, REGULAR, [(58.0, 60.0)]), HABIT)
    assert_spans(spans, [(*place, "picture") for place in REGULAR])


def test_a_black_half_is_part_of_its_picture():
    _, spans = solve_spans(seen(152.0, REGULAR, [(54.0, 75.0)]), HABIT)
    assert_spans(spans, [(*place, "picture") for place in REGULAR])


def test_pictures_that_overlap_show_steps():
    above = np.zeros((HEIGHT, round(150.0 * PX_PER_MM), 3), np.float32)
    places = [(1.0, 37.0), (36.0, 72.0), (74.0, 110.0)]
    for start, end in places:
        above[TOP:BOTTOM, round(start * PX_PER_MM) : round(end * PX_PER_MM)] += 0.5
    cut = above[:, : round(112.0 * PX_PER_MM)]
    _, spans = solve_spans(evidence(cut, FILM, PX_PER_MM, 0.003), HABIT)
    assert_spans(spans, [(*place, "picture") for place in places])


@pytest.mark.parametrize("cut_mm", [8.0, 20.0, 30.0])
def test_a_cut_picture_is_partial_at_either_end(cut_mm):
    places = [(-cut_mm, 36.0 - cut_mm), (38.0 - cut_mm, 74.0 - cut_mm)]
    _, spans = solve_spans(seen(76.0 - cut_mm, [(0.0, places[0][1]), places[1]]), HABIT)
    assert_spans(spans, [(0.0, places[0][1], "partial"), (*places[1], "picture")])
    mirrored = seen(76.0 - cut_mm, [(2.0, 38.0), (40.0, 76.0 - cut_mm)])
    _, spans = solve_spans(mirrored, HABIT)
    assert_spans(spans, [(2.0, 38.0, "picture"), (40.0, 76.0 - cut_mm, "partial")])


def test_a_hair_cut_off_leaves_a_picture():
    _, spans = solve_spans(seen(74.0, [(0.0, 35.6), (37.6, 73.6)]), HABIT)
    assert [span.kind for span in spans] == ["picture", "picture"]


def test_a_larger_gate_is_allowed_for():
    places = [(1.0, 37.7), (39.0, 75.7), (77.0, 113.7)]
    _, spans = solve_spans(seen(115.0, places), HABIT)
    assert_spans(spans, [(*place, "picture") for place in places], within=0.5)


def test_the_true_length_scores_best():
    evidence_of = seen(152.0, REGULAR)
    scores = {
        name: solve_spans(evidence_of, usual_habit(frame_formats()[name]))[0]
        for name in ("135", "135-half", "135-square", "135-panorama")
    }
    assert max(scores, key=lambda name: scores[name]) == "135"


@pytest.mark.parametrize("gate_mm", [16.5, 17.0, 17.4, 18.0, 18.5])
@pytest.mark.parametrize("gap_mm", [0.4, 1.0, 2.0, 4.0])
def test_bars_of_base_part_half_frames_of_any_gate(gate_mm, gap_mm):
    pitch = gate_mm + gap_mm
    places = [(1.0 + pitch * n, 1.0 + pitch * n + gate_mm) for n in range(6)]
    found = find_frames(seen(6 * pitch + 1.0, places), formats_on("135"))
    assert found.format.name == "135-half"
    edges = [((one.start + 0.5) / PX_PER_MM, (one.end + 0.5) / PX_PER_MM) for one in found.frames]
    np.testing.assert_allclose(edges, places, atol=0.2)


@pytest.mark.parametrize("gate_mm", [23.0, 24.3, 25.0])
def test_squares_of_any_gate_are_no_panoramas(gate_mm):
    places = [(1.0 + 26.0 * n, 1.0 + 26.0 * n + gate_mm) for n in range(6)]
    found = find_frames(seen(157.0, places), formats_on("135"))
    assert (found.format.name, len(found.frames)) == ("135-square", 6)


def test_a_full_frame_may_hold_doorposts():
    doorposts = [(58.0, 60.0), (90.0, 91.5)]
    found = find_frames(seen(152.0, REGULAR, doorposts), formats_on("135"))
    assert (found.format.name, len(found.frames)) == ("135", 4)


@pytest.mark.parametrize("lit", [1, 2])
def test_lamps_in_dark_pictures_are_no_pictures_of_another_format(lit):
    lamp_from_mm, lamp_mm = 12.0, 12.0
    black = []
    for number, (start, end) in enumerate(REGULAR):
        if number != lit:
            black += [(start, start + lamp_from_mm), (start + lamp_from_mm + lamp_mm, end)]
    found = find_frames(seen(152.0, REGULAR, black), formats_on("135"))
    np.testing.assert_allclose(mm_of(found), REGULAR, atol=0.25)
    # Only the lit one shows its edges.
    assert max(one.confidence for n, one in enumerate(found.frames) if n != lit) < 0.5


def test_known_gaps_hold_a_frame_that_shows_nothing():
    known = replace(HABIT, gap_mm=3.0, gap_spread_mm=0.35)
    places = [(1.0, 37.0), (40.0, 76.0), (118.0, 154.0)]
    _, spans = solve_spans(seen(155.0, places), known)
    assert_spans(spans, [(1, 37, "picture"), (40, 76, "picture"), (79, 115, "blank"),
                         (118, 154, "picture")], within=0.7)  # fmt: skip


def test_nothing_in_nothing():
    assert solve_spans(seen(8.0, []), HABIT)[1] == []


def mm_of(found) -> list[tuple[float, float]]:
    return [((one.start + 0.5) / PX_PER_MM, (one.end + 0.5) / PX_PER_MM) for one in found.frames]


@pytest.mark.parametrize("full_mm", [34.0, 36.0, 36.8])
@pytest.mark.parametrize("at", [1, 3])
def test_one_full_frame_among_half_frames(full_mm, at):
    lengths = [17.4] * 6
    lengths[at] = full_mm
    starts = 1.0 + np.concatenate([[0.0], np.cumsum(np.array(lengths) + 1.6)])
    places = [(start, start + long) for start, long in zip(starts, lengths, strict=False)]
    found = find_frames(seen(starts[-1], places), formats_on("135"))
    assert found.format.name == "135-half"
    np.testing.assert_allclose(mm_of(found), places, atol=0.2)


def test_half_frames_among_full_ones_up_to_the_films_end():
    places = [(3.0, 20.6), (23.0, 59.0), (61.5, 97.5), (100.0, 136.0), (138.0, 155.6)]
    found = find_frames(seen(158.0, places), formats_on("135"))
    assert [frame.kind for frame in found.frames] == ["picture"] * 5
    np.testing.assert_allclose(mm_of(found), places, atol=0.25)


@pytest.mark.parametrize(
    ("gate_mm", "gap_mm"), [(33.6, 3.8), (34.2, 1.0), (35.0, 0.4), (37.0, 3.0)]
)
def test_full_frames_of_any_gate(gate_mm, gap_mm):
    pitch = gate_mm + gap_mm
    places = [(1.0 + pitch * n, 1.0 + pitch * n + gate_mm) for n in range(4)]
    found = find_frames(seen(4 * pitch + 1.0, places), formats_on("135"))
    assert found.format.name == "135"
    np.testing.assert_allclose(mm_of(found), places, atol=0.2)


def test_a_gap_of_wide_film_costs_what_its_deviation_is_worth():
    wide, habit = film_sizes()["120"], usual_habit(frame_formats()["120-6x6"])

    def score(gap_mm: float) -> float:
        above = np.random.default_rng(1).normal(0, 0.003, (round(wide.width_mm * 4), 500))
        for start in (3.0, 59.0 + gap_mm):
            above[11:235, round(start * 4) : round((start + 56.0) * 4)] += 0.6
        strip = evidence(np.repeat(above[..., None], 3, 2).astype(np.float32), wide, 4.0, 0.003)
        return solve_spans(strip, habit)[0]

    # Of 5 mm, give or take 2: 2.25 deviations off, as a natural logarithm of a normal density.
    assert score(5.0) - score(9.5) == pytest.approx(2.25**2 / 2, abs=1.5)


def test_a_swinging_lens_takes_panoramas_too():
    places = [(1.0 + 60.0 * n, 58.5 + 60.0 * n) for n in range(3)]
    found = find_frames(seen(181.0, places), formats_on("135"))
    assert found.format.name == "135-panorama"
    np.testing.assert_allclose(mm_of(found), places, atol=0.3)


def test_a_blank_half_frame_beside_a_full_one_is_told():
    places = [(1.0, 19.0), (20.0, 38.0), (58.0, 94.0), (95.0, 113.0), (114.0, 132.0)]
    found = find_frames(seen(133.0, places), formats_on("135"))
    kinds = ["picture", "picture", "blank", "picture", "picture", "picture"]
    assert [frame.kind for frame in found.frames] == kinds


def test_short_pictures_are_of_the_rolls_own_format_unless_bars_tell_another():
    roll = {"135": replace(HABIT, length_spread_mm=0.05, gap_spread_mm=0.35)}
    # Half frames with blanks between, or full ones that are black on the right.
    apart = seen(80.0, [(3.0, 20.8), (41.0, 58.8)])
    assert find_frames(apart, formats_on("135")).format.name == "135-half"
    assert find_frames(apart, formats_on("135"), roll).format.name == "135"
    barred = seen(59.0, [(1.0, 19.0), (20.0, 38.0), (39.0, 57.0)])
    assert find_frames(barred, formats_on("135"), roll).format.name == "135-half"


def test_frames_are_told_with_doubt_where_another_format_fits_as_well():
    clear = find_frames(seen(152.0, REGULAR), formats_on("135"))
    # One picture black but for 18 mm, or a half frame.
    either = find_frames(seen(40.0, [(3.0, 20.8)]), formats_on("135"))
    assert min(frame.confidence for frame in clear.frames) > 0.95
    assert max(frame.confidence for frame in either.frames) < 0.75


@pytest.mark.parametrize("shared_mm", [9.0, 18.0, 26.0])
@pytest.mark.parametrize("second", [1, 2, 3])
def test_a_transport_that_slipped_leaves_two_pictures(shared_mm, second):
    starts = [1.0 + 38.0 * n - (38.0 - 36.0 + shared_mm) * (n >= second) for n in range(4)]
    places = [(start, start + 36.0) for start in starts]
    found = find_frames(seen(places[-1][1] + 1.0, places), formats_on("135"))
    edges = [((one.start + 0.5) / PX_PER_MM, (one.end + 0.5) / PX_PER_MM) for one in found.frames]
    assert found.format.name == "135"
    np.testing.assert_allclose(edges, places, atol=0.25)


@pytest.mark.parametrize("gate_mm", [28.5, 30.0, 32.0])
@pytest.mark.parametrize("gap_mm", [1.0, 2.5, 5.0])
def test_gates_between_the_square_and_the_full_frame(gate_mm, gap_mm):
    pitch = gate_mm + gap_mm
    places = [(1.0 + pitch * n, 1.0 + pitch * n + gate_mm) for n in range(5)]
    found = find_frames(seen(5 * pitch + 1.0, places), formats_on("135"))
    edges = [((one.start + 0.5) / PX_PER_MM, (one.end + 0.5) / PX_PER_MM) for one in found.frames]
    assert found.format.name == "135-24x32"
    np.testing.assert_allclose(edges, places, atol=0.2)


@pytest.mark.parametrize("sliver_mm", [1.5, 2.5, 4.0])
def test_slivers_of_its_neighbours_make_no_short_frames_of_a_long_one(sliver_mm):
    first = sliver_mm + 2.0
    last = first + 36.0
    places = [(0.0, sliver_mm), (first, last), (last + 2.0, last + 2.0 + sliver_mm)]
    found = find_frames(seen(places[-1][1], places), formats_on("135"))
    assert found.format.name == "135"
    assert_spans_of_one(found, first, last)
    others = [likely for name, likely in found.likelihoods.items() if name != "135"]
    # Every format may explain the slivers: what is left tells 36 mm from two times 18.
    assert found.likelihoods["135"] - max(others) > 4.0


def assert_spans_of_one(found, first: float, last: float) -> None:
    (whole,) = (frame for frame in found.frames if frame.kind == "picture")
    assert whole.start / PX_PER_MM == pytest.approx(first, abs=0.5)
    assert whole.end / PX_PER_MM == pytest.approx(last, abs=0.5)
