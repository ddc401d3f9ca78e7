"""Frame numbers over a roll: the film's own first, each given once."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.numbering.numbers import in_film_order, number_roll, with_roll_numbers
from tests.survey.surveyed import frame, placed_strip, strip


def numbers(*strips: list[str | None], first: str | None = None) -> list[list[str]]:
    surveyed = [strip([frame(number) for number in row]) for row in strips]
    return [[item.number for item in row] for row in number_roll(surveyed, first)]


def origins(*strips: list[str | None], first: str | None = None) -> list[list[str]]:
    surveyed = [strip([frame(number) for number in row]) for row in strips]
    return [[item.number_from for item in row] for row in number_roll(surveyed, first)]


@pytest.mark.parametrize(
    ("first", "told"),
    [
        (None, ["01", "02", "03"]),
        ("07", ["07", "08", "09"]),
        ("00", ["00", "01", "02"]),
        # The order on the film's edge: X, 00, 0 or 1 (frame 62 = X, 63 = 00 in the edge code).
        ("X", ["X", "00", "01"]),
        ("23A", ["23A", "24", "25"]),
        ("98", ["98", "99", "100"]),
    ],
)
def test_frames_without_edge_numbers_go_on_from_the_first(first, told):
    assert numbers([None] * 3, first=first) == [told]
    assert origins([None] * 3, first=first) == [["order" if first is None else "user"] * 3]


def test_numbering_goes_on_from_strip_to_strip():
    assert numbers([None] * 2, [], [None] * 2) == [["01", "02"], [], ["03", "04"]]
    assert number_roll([], "05") == ()


def test_unread_frame_follows_the_one_read_before_it():
    assert numbers(["11", None, "13", None], [None]) == [["11", "12", "13", "14"], ["15"]]
    assert origins(["11", None]) == [["edge", "order"]]
    assert numbers(["X", None, None]) == [["X", "00", "0"]]


def test_edge_goes_before_the_user():
    assert numbers(["11", None], first="30") == [["11", "12"]]
    assert origins(["11", None], first="30") == [["edge", "user"]]


def test_number_met_again_gets_a_letter():
    assert numbers(["07", "07", None], ["07", "08"]) == [["07", "07b", "09"], ["07c", "08"]]
    assert numbers(["23A", "23A"]) == [["23A", "23Ab"]]


EDGE_NUMBERS = st.sampled_from(["X", "00", "01", "02", "11", "11A", "12", "99"])
ROLLS = st.lists(st.lists(st.none() | EDGE_NUMBERS, max_size=9), max_size=6)


@given(ROLLS, st.none() | EDGE_NUMBERS)
def test_no_number_is_given_twice_whatever_the_edge_says(rows, first):
    given_out = numbers(*rows, first=first)
    flat = [number.casefold() for row in given_out for number in row]
    assert len(set(flat)) == len(flat)
    assert [len(row) for row in given_out] == [len(row) for row in rows]
    for row, told in zip(rows, given_out, strict=True):
        assert all(number.startswith(read or "") for read, number in zip(row, told, strict=True))


def test_hundred_frames_of_one_number_stay_apart():
    (told,) = numbers(["07"] * 100)
    assert len(set(told)) == 100
    assert told[:2] == ["07", "07b"]
    assert told[25] == "07z"


def test_numbers_lead_up_to_the_first_that_the_edge_tells():
    assert numbers([None] * 3, ["07", "08"]) == [["04", "05", "06"], ["07", "08"]]
    assert numbers([None, None, "01"]) == [["X", "00", "01"]]
    assert numbers([None] * 2, ["07"], first="20") == [["20", "21"], ["07"]]
    # More frames than there are numbers before it.
    assert numbers([None] * 4, ["01"]) == [["02", "03", "04", "05"], ["01"]]


def test_nought_is_told_apart_from_the_films_own_00():
    assert numbers(["0", "01"]) == [["00", "01"]]
    assert numbers(["00", "0", "01"]) == [["00", "0", "01"]]
    assert numbers(["0A", "01"]) == [["00A", "01"]]
    # Frame values 62, 63, 0 and 1 follow each other in the edge code: X, 00, 0, 01.
    assert numbers(["X", None, None, None]) == [["X", "00", "0", "01"]]
    assert numbers(["00A", "0A"]) == [["00A", "0A"]]


@given(st.lists(st.integers(-2, 40), max_size=8), st.booleans())
def test_strips_lie_in_the_order_of_their_edge_numbers(places, turned):
    strips = [placed_strip(place, turned=turned) for place in places]
    ordered = in_film_order(strips)
    codes = [min(code.number for code in item.edge.codes) for item in ordered]
    assert codes == sorted(codes)


def test_a_piece_scanned_again_comes_after_its_first_scan():
    # Two scans of one piece never begin at exactly the same place.
    first, again, before = placed_strip(6.1), placed_strip(6.0), placed_strip(0.0)
    assert in_film_order([first, again, before]) == (before, first, again)


def test_films_follow_each_other_as_they_came():
    strips = [placed_strip(9.0, film="84-4"), placed_strip(5.0), placed_strip(1.0, film="84-4")]
    told = [(item.edge.film_code, item.edge.frame_at_left) for item in in_film_order(strips)]
    assert told == [("84-4", 1.0), ("84-4", 9.0), ("115-10", 5.0)]


UNREAD = strip([frame(), frame()], outline=((0, 0), (228, 0), (228, 35), (0, 35)), ppi=25.4)


def test_strips_without_numbers_keep_their_place_between_neighbours():
    one, two, three = (placed_strip(place) for place in (0.0, 6.0, 18.0))
    # Room for one strip between 12 and 18; ISO 1007: 228 mm are six frames of 38 mm.
    assert in_film_order([one, two, UNREAD, three]) == (one, two, UNREAD, three)
    assert in_film_order([three, UNREAD, two, one]) == (one, two, UNREAD, three)
    assert in_film_order([one, three, two, UNREAD]) == (one, two, UNREAD, three)
    assert in_film_order([UNREAD, two]) == (UNREAD, two)
    assert in_film_order([one, two, three, UNREAD]) == (one, two, three, UNREAD)
    # No room after the first: it goes before the third, where there is some.
    assert in_film_order([one, UNREAD, three, two]) == (one, two, UNREAD, three)
    two_unread = [one, UNREAD, UNREAD, placed_strip(18.0)]
    assert in_film_order(two_unread) == tuple(two_unread)


def test_strips_without_any_number_stay_as_they_came():
    only_film = placed_strip(None)
    assert in_film_order([UNREAD, only_film]) == (UNREAD, only_film)
    assert in_film_order([]) == ()


def told_numbers(strips):
    return [[item.edge_number for item in row.frames] for row in with_roll_numbers(strips)]


def test_strips_of_a_roll_agree_where_pictures_lie_half_way():
    # Pictures lie 0.74, 0.76 and 0.74 of a frame behind their numbers, 0.75 being half-way.
    strips = [placed_strip(place, after=after) for place, after in
              [(0.0, 0.74), (6.0, 0.76), (12.0, 0.74)]]  # fmt: skip
    names = [["0", *(f"{n:02d}" for n in range(1, 6))]]
    names += [[f"{n:02d}" for n in range(first, first + 6)] for first in (6, 12)]
    assert told_numbers(strips) == names
    assert told_numbers(strips[1:2]) == [[f"{n:02d}" for n in range(7, 13)]]


@given(
    st.floats(-0.2, 0.7),
    st.lists(st.floats(-0.2, 0.2), min_size=6, max_size=6),
    st.sampled_from([1.0, 0.5]),
    st.booleans(),
)
def test_numbers_of_a_roll_count_on_whatever_the_phase(after, jitter, step, turned):
    per_strip = 6 if step == 1.0 else 12
    strips = [
        placed_strip(3.0 + 6.0 * k, per_strip, after=(after + jitter[k] / 2) * step, step=step,
                     turned=turned)
        for k in range(6)
    ]  # fmt: skip
    row = [name for names in told_numbers(strips) for name in names]
    values = [int(name.rstrip("A")) + (0.5 if name.endswith("A") else 0.0) for name in row]
    assert np.diff(values) == pytest.approx(step)


def test_a_pitch_below_the_films_repeats_no_number():
    # 37 mm a frame: over 36 frames the pictures drift by nearly one number.
    pitch = 37.0 / 38.0
    strips = [placed_strip(6 * k * pitch, pitch=pitch, after=0.3) for k in range(6)]
    row = [name for names in told_numbers(strips) for name in names]
    assert len(set(row)) == 36


def test_a_piece_scanned_twice_keeps_its_numbers():
    strips = [placed_strip(0.0), placed_strip(6.0), placed_strip(6.0), placed_strip(12.0)]
    _, two, again, three = told_numbers(strips)
    assert two == again == [f"{n:02d}" for n in range(6, 12)]
    assert three[0] == "12"
    (_, _, lettered, _) = number_roll(with_roll_numbers(strips), None)
    assert [item.number for item in lettered] == [f"{name}b" for name in again]


def test_half_frames_are_numbered_in_halves_up_to_the_end_of_the_roll():
    strips = [placed_strip(6.0 * k, 12, step=0.5, after=0.02) for k in range(6)]
    row = [name for names in told_numbers(strips) for name in names]
    assert row[:4] == ["0", "0A", "01", "01A"]
    assert row[-2:] == ["35", "35A"]


@pytest.mark.parametrize(
    ("first", "count", "begins", "ends"),
    [(-2.0, 39, ["X", "00", "0", "01"], "36"), (-1.0, 38, ["00", "0", "01"], "36"),
     (0.0, 39, ["00", "01"], "38"), (1.0, 39, ["01"], "39"), (1.0, 27, ["01"], "27")],
)  # fmt: skip
def test_rolls_of_all_lengths_are_numbered(first, count, begins, ends):
    # Rolls of 36 exposures hold up to 39 frames, single-use cameras 27 (common practice).
    strips = [placed_strip(first + k, min(6, count - k), after=0.25) for k in range(0, count, 6)]
    row = [item.number for told in number_roll(with_roll_numbers(strips), None) for item in told]
    assert row[: len(begins)] == begins
    assert row[-1] == ends
    assert len(set(row)) == count


def test_film_without_numbers_and_strips_without_frames_are_left_alone():
    strips = [placed_strip(None), placed_strip(3.0, 0), UNREAD]
    assert with_roll_numbers(strips) == tuple(strips)
