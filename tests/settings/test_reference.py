"""Reference frames as roll.toml and the command write them."""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.problem import SettingsProblem
from pipeline.settings.reference import ReferenceFrame, read_references
from pipeline.settings.settings import Settings, read_roll_file, with_changes

WHERE = Path("roll.toml")
SQUARE = [[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]]


@pytest.mark.parametrize(
    ("value", "frames"),
    [
        ("7", ["07"]),
        (7, ["07"]),
        ("23a", ["23A"]),
        (["x", "00", 4], ["X", "00", "04"]),
        ({"frame": "07b"}, ["07b"]),
        ("12-2", ["12-2"]),
        ("none", []),
        (["None"], []),
    ],
)
def test_frames_are_named_as_on_the_contact_sheet(value, frames):
    assert [reference.frame for reference in read_references(value, WHERE)] == frames


def test_a_table_says_what_the_frame_shows():
    by_corners, card, chart = read_references(
        [
            {"frame": "07", "corners": SQUARE},
            {"frame": "08", "grey": [0.2, 0.3, 0.4, 0.5]},
            {"frame": "09", "chart": True},
        ]
    )
    assert by_corners.chart is True
    assert by_corners.corners == ((0.1, 0.1), (0.9, 0.1), (0.9, 0.9), (0.1, 0.9))
    assert card == ReferenceFrame("08", False, None, (0.2, 0.3, 0.4, 0.5))
    assert chart == ReferenceFrame("09", True)


@given(st.lists(st.integers(0, 99), min_size=1, max_size=5, unique=True))
def test_what_was_read_is_read_again_as_it_is(numbers):
    once = read_references([str(number) for number in numbers])
    assert read_references(once) == once


def test_a_roll_file_names_them_in_either_way(tmp_path: Path):
    path = tmp_path / "roll.toml"
    path.write_text('reference = "7"\n')
    assert with_changes(Settings(), read_roll_file(path)[1]).reference == (ReferenceFrame("07"),)
    path.write_text('[reference]\nframe = "7"\nchart = false\n')
    told = with_changes(Settings(), read_roll_file(path)[1]).reference
    assert told == (ReferenceFrame("07", chart=False),)


def test_a_frame_named_by_its_number_keeps_what_the_roll_file_tells_of_it():
    tables = [{"frame": "07", "grey": [0.2, 0.3, 0.4, 0.5]}, {"frame": "08"}]
    settings = with_changes(Settings(), {"reference": tables})
    card, other = with_changes(settings, {"reference": ["7", "09"]}).reference or ()
    assert card == ReferenceFrame("07", False, None, (0.2, 0.3, 0.4, 0.5))
    assert other == ReferenceFrame("09")
    assert with_changes(settings, {"reference": "none"}).reference == ()
    told = [{"frame": "07", "chart": True}]
    assert with_changes(settings, {"reference": told}).reference == (ReferenceFrame("07", True),)


@pytest.mark.parametrize(
    ("value", "what"),
    [
        ("seven", "'seven' is no frame number"),
        (True, "True is no frame number"),
        (1.5, "1.5 is no frame number"),
        ([], "no frame is named"),
        (["none", "07"], "'none' excludes frames"),
        (["7", "07"], "a frame is named twice"),
        ({"chart": True}, "'frame' is missing"),
        ({"frame": "07", "corner": SQUARE}, "key 'corner' is not known; write 'corners'"),
        ({"frame": "07", "x": 1}, "the keys are frame, chart, corners, grey"),
        ({"frame": "07", "chart": "yes"}, "'chart' is 'yes'"),
        ({"frame": "07", "corners": SQUARE[:3]}, f"'corners' is {SQUARE[:3]}; give four points"),
        ({"frame": "07", "corners": [*SQUARE[:3], [0.1]]}, "[0.1]]; give four points [x, y]"),
        (
            {"frame": "07", "corners": [*SQUARE[:3], [0.1, 12]]},
            "12]]; give four points [x, y] around it, shares of the picture",
        ),
        ({"frame": "07", "corners": [SQUARE[0], SQUARE[2], *SQUARE[1::2]]}, "no quadrilateral"),
        ({"frame": "07", "corners": [SQUARE[0]] * 4}, "no quadrilateral"),
        (
            {"frame": "07", "grey": [0.1, 0.2, 0.3]},
            "'grey' is [0.1, 0.2, 0.3]; give left, top, right, bottom",
        ),
        ({"frame": "07", "grey": [0.3, 0.2, 0.1, 0.4]}, "'grey': it encloses no area"),
        (
            {"frame": "07", "grey": [0.1, 0.2, float("nan"), 0.4]},
            "'grey' is [0.1, 0.2, nan, 0.4]; give",
        ),
        ({"frame": "07", "corners": SQUARE, "chart": False}, "corners are those of a chart"),
        ({"frame": "07", "grey": [0.1, 0.1, 0.4, 0.4], "chart": True}, "that of a grey card"),
    ],
)
def test_what_makes_no_sense_is_refused(value, what):
    with pytest.raises(SettingsProblem, match=f"roll.toml: 'reference'.*{re.escape(what)}"):
        read_references(value, WHERE)
