"""roll.toml changed as text: what the user wrote stays; the standard library reads the result."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.problem import SettingsProblem
from pipeline.review.notes import Notes

WRITTEN = """\
# my roll
id = "a"   # name
exposure = 0.3

[batch] # chemistry
name = "x"

[[frames]]  # first
number = 7
left_mm = 0.4   # why

# tail
[[frames]]
number = "12"
drop = true
"""


def test_what_is_not_changed_stays_byte_for_byte():
    assert Notes(WRITTEN).text == WRITTEN


def test_values_go_into_the_entry_of_their_frame_and_comments_stay():
    notes = Notes(WRITTEN)
    notes.set("07", {"left_mm": 0.5, "right_mm": -1.0})
    told = tomllib.loads(notes.text)
    assert told["frames"][0] == {"number": 7, "left_mm": 0.5, "right_mm": -1.0}
    assert [line for line in notes.text.splitlines() if "#" in line] == [
        line.replace("0.4", "0.5") for line in WRITTEN.splitlines() if "#" in line
    ]
    assert notes.text.splitlines()[:7] == WRITTEN.splitlines()[:7]


def test_an_entry_that_tells_nothing_more_goes_and_comments_after_it_stay():
    notes = Notes(WRITTEN)
    notes.set("07", {"left_mm": None})
    told = tomllib.loads(notes.text)
    assert told["frames"] == [{"number": "12", "drop": True}]
    assert "# tail" in notes.text


def test_the_last_entry_taken_out_leaves_no_heading():
    notes = Notes("")
    notes.set("07", {"drop": True})
    assert tomllib.loads(notes.text) == {"frames": [{"number": "07", "drop": True}]}
    notes.take_out("07")
    assert notes.text == ""


def test_added_frames_are_known_by_the_place_of_their_entry():
    notes = Notes(WRITTEN)
    key = notes.add({"scan": "a.tif", "at_mm": 12.0})
    assert key == "+3"
    notes.set(key, {"exposure": 0.5})
    assert notes.entry("+3") == {"add": True, "scan": "a.tif", "at_mm": 12.0, "exposure": 0.5}
    assert tomllib.loads(notes.text)["frames"][2] == notes.entry("+3")


def test_settings_of_the_roll_stand_above_every_heading():
    notes = Notes("[batch]\nname = 'x'\n")
    notes.set_roll({"exposure": 1.0, "balance": [0.01, 0.0, -0.01]})
    told = tomllib.loads(notes.text)
    assert (told["exposure"], told["balance"]) == (1.0, [0.01, 0.0, -0.01])
    assert told["batch"] == {"name": "x"}
    notes.set_roll({"exposure": None, "balance": None})
    assert tomllib.loads(notes.text) == {"batch": {"name": "x"}}


def test_frames_counted_anew_are_renamed_at_once_wherever_they_are_named():
    notes = Notes(
        "[[frames]]\nnumber = '03'\nmerge_with = ['04']\n"
        "[[frames]]\nadd = true\nafter = '05'\n[[frames]]\nnumber = 9\ndrop = true\n"
    )
    notes.rename({"03": "04", "04": "05", "05": "06"})
    assert tomllib.loads(notes.text)["frames"] == [
        {"number": "04", "merge_with": ["05"]},
        {"add": True, "after": "06"},
        {"number": 9, "drop": True},
    ]


@pytest.mark.parametrize(
    ("text", "said"), [("id = ", "TOML"), ("frames = [{number = '07', drop = true}]", "one line")]
)
def test_notes_that_cannot_be_changed_are_refused(text, said):
    with pytest.raises(SettingsProblem, match=said):
        Notes(text)


NUMBERS = st.sampled_from(["05", "07", "12", "23A"])
VALUES = st.dictionaries(
    st.sampled_from(["left_mm", "exposure", "turn_deg"]),
    st.one_of(st.none(), st.floats(-3, 3).map(lambda value: round(value, 2) or 1.0)),
    min_size=1,
)


@given(st.lists(st.tuples(NUMBERS, VALUES), max_size=6))
def test_any_changes_leave_toml_that_says_just_that(changes):
    notes, wanted = Notes(WRITTEN), {"07": {"left_mm": 0.4}, "12": {"drop": True}}
    for number, told in changes:
        notes.set(number, told)
        entry = wanted.setdefault(number, {})
        entry.update(told)
        wanted[number] = {key: value for key, value in entry.items() if value is not None}
    told = tomllib.loads(notes.text)
    found = {
        str(entry.pop("number")).zfill(2): entry for entry in told.get("frames", ())
    }  # fmt: skip
    assert found == {number: entry for number, entry in wanted.items() if entry}
    assert {key: told[key] for key in ("id", "exposure", "batch")} == {
        "id": "a", "exposure": 0.3, "batch": {"name": "x"},
    }  # fmt: skip
