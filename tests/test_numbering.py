"""Frame numbers over a roll: the film's own first, each given once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.numbering import in_film_order, number_roll
from tests.surveyed import frame, strip


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
    assert numbers(["X", None, None]) == [["X", "00", "01"]]


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


@given(st.lists(st.floats(-2, 80), max_size=8))
def test_strips_lie_in_the_order_of_their_edge_numbers(positions):
    strips = [strip(edge_position=position) for position in positions]
    ordered = in_film_order(strips)
    assert [item.edge_position for item in ordered] == sorted(positions)


def test_one_unread_strip_leaves_all_as_they_came():
    strips = [strip(edge_position=position) for position in (30.0, None, 5.0)]
    assert in_film_order(strips) == tuple(strips)
    assert in_film_order([strip(edge_position=5.0), strip(edge_position=0.0)])[0].edge_position == 0
