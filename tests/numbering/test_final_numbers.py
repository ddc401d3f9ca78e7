"""Final numbers: as found, renumbered, added; each once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.numbering.final_numbers import final_numbers
from pipeline.numbering.numbers import FrameNumber
from pipeline.settings.correction import FrameCorrection

FOUND = ("07", "08", "09", "10")
NUMBERS = {name: FrameNumber(name, "edge") for name in FOUND}


def final(keys, *corrections: FrameCorrection) -> list[str]:
    numbers, troubles = final_numbers(keys, NUMBERS, corrections)
    assert troubles == ()
    return [numbers[key].number for key in keys]


def test_without_corrections_all_is_as_found():
    assert final_numbers(FOUND, NUMBERS, ()) == (NUMBERS, ())


@pytest.mark.parametrize(
    ("keys", "added", "told"),
    [
        (("07", "08", "+1", "09"), True, ["07", "08", "08b", "09"]),
        (("+1", "07", "08"), True, ["07b", "07", "08"]),
        (("07", "+1", "09"), "08", ["07", "08", "09"]),
        (("+1",), True, ["01b"]),
    ],
)
def test_an_added_frame_has_the_number_given_or_that_before_it_with_a_letter(keys, added, told):
    assert final(keys, FrameCorrection(1, add=added, after="08")) == told


def test_letters_go_on_past_those_taken():
    found = {"08": FrameNumber("08", "edge"), "08b": FrameNumber("08b", "edge")}
    entries = [FrameCorrection(n, add=True, after="08b") for n in (1, 2)]
    numbers, _ = final_numbers(("08", "08b", "+1", "+2"), found, entries)
    assert [item.number for item in numbers.values()] == ["08", "08b", "08c", "08d"]
    assert numbers["+1"].number_from == "order"


def test_renumbered_frames_may_change_places():
    entries = [FrameCorrection(1, "07", renumber="08"), FrameCorrection(2, "08", renumber="07")]
    numbers, troubles = final_numbers(FOUND, NUMBERS, entries)
    assert troubles == ()
    assert (numbers["07"], numbers["08"]) == (FrameNumber("08", "user"), FrameNumber("07", "user"))
    assert numbers["09"] == NUMBERS["09"]


def test_onward_counts_on_over_added_frames_up_to_the_end():
    entries = [
        FrameCorrection(1, "08", renumber="20", onward=True),
        FrameCorrection(2, add=True, after="08"),
        FrameCorrection(3, "10", renumber="30"),
    ]
    assert final(("07", "08", "+2", "09", "10"), *entries) == ["07", "20", "21", "22", "30"]


@pytest.mark.parametrize(
    ("first", "second"), [("X", "00"), ("00", "01"), ("23A", "24"), ("08b", "09"), ("99", "100")]
)
def test_onward_goes_on_with_the_next_whole_number(first, second):
    # X, 00, 0 or 1 is the order on the film's edge, as in the edge code.
    entry = FrameCorrection(1, "09", renumber=first, onward=True)
    numbers, _ = final_numbers(("09", "10"), NUMBERS, [entry])
    assert [item.number for item in numbers.values()] == [first, second]


def test_a_number_that_another_frame_keeps_is_refused():
    entries = [FrameCorrection(1, "07", renumber="09"), FrameCorrection(2, "10", renumber="11")]
    numbers, troubles = final_numbers(FOUND, NUMBERS, entries)
    assert [item.number for item in numbers.values()] == ["07", "08", "09", "11"]
    (told,) = troubles
    assert told.startswith("frame 07: number 09 is that of another frame; ")
    shifted = [FrameCorrection(1, "08", renumber="06", onward=True)]
    assert final_numbers(FOUND, NUMBERS, shifted)[0] == NUMBERS


ASKED = st.sampled_from(["06", "07", "08", "09", "10", "11", "99"])


@given(
    st.dictionaries(st.sampled_from(FOUND), st.tuples(ASKED, st.booleans())),
    st.lists(st.tuples(st.integers(0, 4), st.just(True) | ASKED), max_size=3),
)
def test_no_number_is_given_twice(renumbered, added):
    entries = [
        FrameCorrection(at, number, renumber=new, onward=onward)
        for at, (number, (new, onward)) in enumerate(renumbered.items(), 1)
    ]
    keys = list(FOUND)
    for at, (place, number) in enumerate(added, 10):
        keys.insert(place, f"+{at}")
        entries.append(FrameCorrection(at, add=number, after="08"))
    numbers, troubles = final_numbers(keys, NUMBERS, entries)
    assert list(numbers) == keys
    names = [item.number for item in numbers.values()]
    assert len({name.casefold() for name in names}) == len(names)
    assert len(troubles) <= len(entries)
