"""Settings and roll.toml: good values taken as they are, bad ones named with file and key."""

import dataclasses
import math
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.problem import SettingsProblem
from pipeline.profile.space import find_space
from pipeline.settings.correction import FrameCorrection
from pipeline.settings.settings import (
    ARCHIVE_PACKING,
    FORMATS,
    LOOKS,
    RollNotes,
    Settings,
    frame_number,
    read_roll_file,
    with_changes,
)

WHERE = Path("roll.toml")


def roll_file(folder: Path, text: str) -> Path:
    path = folder / "roll.toml"
    path.write_text(text, encoding="utf-8")
    return path


@given(st.integers(0, 99), st.booleans())
def test_frame_numbers_have_two_digits_and_stay_as_they_are(number, half):
    # roll.schema.json, `number`: two digits at least (07, 00, 23A).
    text = f"{number}{'a' if half else ''}"
    shown = frame_number(text)
    assert shown == f"{number:02d}{'A' if half else ''}"
    assert frame_number(shown) == shown
    assert half or frame_number(number) == shown


@pytest.mark.parametrize(
    ("given", "shown"), [("x", "X"), ("XA", "XA"), ("00", "00"), (" 7 ", "07")]
)
def test_frame_numbers_before_the_first(given, shown):
    assert frame_number(given) == shown


@pytest.mark.parametrize(
    "value", ["", "A", "100", "-1", "7B", "0X", "../7", "7\n8", "٣", True, 7.0]
)
def test_what_is_no_frame_number_is_refused(value):
    with pytest.raises(SettingsProblem, match=r"^roll\.toml: 'first_number': .* no frame number"):
        with_changes(Settings(), {"first_number": value}, WHERE)


@given(st.floats(-3, 3))
def test_one_number_stands_for_three(value):
    for told in (value, [value], [value] * 3):
        assert with_changes(Settings(), {"balance": told}).balance == (value, value, value)


@pytest.mark.parametrize("value", [[], [1, 2], [1, 2, 3, 4], "1", [1, 2, "3"], {}, [[1]] * 3])
def test_what_is_no_triple_is_refused_by_name(value):
    with pytest.raises(SettingsProblem, match=r"roll\.toml: 'black'"):
        with_changes(Settings(), {"black": value}, WHERE)


GOOD = {
    "profile": "other", "look": "log", "base": 0.5, "black": [0.0, 0.1, 0.2], "white": 0.9,
    "scanner_profile": "broad-band", "base_scan": "clear.dng",
    "gamma": (1, 1.1, 1.2), "exposure": -2, "even_exposure": True, "balance": [0.1, 0, -0.1],
    "format": "120-6x7", "first_number": "x", "scan_gamma": 2.2, "ppi": 1600, "archive": "none",
    "archive_packing": "zstd", "archive_space": "rec2020", "archive_size": 4000,
    "share": "png", "share_size": 900.0, "share_quality": 80, "write_blanks": True,
    "reference": ["7", {"frame": 12, "grey": [0.4, 0.4, 0.6, 0.6]}],
    "inset_mm": 0.3, "border_mm": 10, "dust": "off", "save_dust_mask": True,
    "monochrome": False, "turn": 270, "mirror": True, "contrast": 1.8,
}  # fmt: skip
BAD = {
    "profile": ["", " ", 3, True],
    "scanner_profile": ["", " ", 3, True],
    "base_scan": ["", " ", 3, True],
    "look": ["Print", "vivid", "", 1, ["print"]],
    "base": [-0.1, 4.1, [0.2, 0.6], "0.5", math.nan],
    "black": [-0.1, 0.96, [0.0, 0.0, math.nan], True],
    "white": [0.0, math.inf, [1, 1, "1"]],
    "gamma": [0, 11, -1.0],
    "exposure": [10.5, -11, "1", [1], False],
    "even_exposure": ["on", 1, 0.0],
    "balance": [4, [0, 0, -3.5]],
    "format": ["135-quarter", 135, ""],
    "first_number": ["first", True, 100],
    "scan_gamma": [0.99, 4.5, 10**400],
    "ppi": [0, 49, 1e9, -(10**400)],
    "archive": ["jpeg", False],
    "archive_packing": ["zip", 5],
    "archive_space": ["rgb"],
    "archive_size": [0, 15, 1e9, 99.5],
    "share": ["tiff"],
    "share_size": [-1, 2400.5, "2400"],
    "share_quality": [0, 101, 92.5],
    "write_blanks": ["yes", 1],
    "inset_mm": [-0.1, 5.1, "1", math.nan],
    "border_mm": [-1, 10.5, True],
    "reference": ["first", True, [], ["none", "07"], ["07", 7], {"chart": True}],
    "dust": ["yes", True, 1],
    "save_dust_mask": ["on", 1],
    "monochrome": ["yes", 0],
    "contrast": [0.4, 4.1, "1.4", True, math.nan],
    "turn": [45, -90, 360, 90.5, "90", True, math.nan],
    "mirror": ["yes", 1],
}


def test_good_and_bad_values_are_tried_for_every_setting():
    names = {field.name for field in dataclasses.fields(Settings)}
    assert set(GOOD) == names == set(BAD)


@pytest.mark.parametrize("name", GOOD)
def test_good_value_is_taken_and_taking_it_again_changes_nothing(name):
    changed = with_changes(Settings(), {name: GOOD[name]})
    value = getattr(changed, name)
    assert value != getattr(Settings(), name)
    assert with_changes(changed, {name: value}) == changed
    assert hash(changed) == hash(with_changes(Settings(), {name: value}))


@pytest.mark.parametrize(("name", "value"), [(name, v) for name in BAD for v in BAD[name]])
def test_bad_value_is_refused_with_file_and_key(name, value):
    key = "frame number" if name == "first_number" else f"'{name}'"
    with pytest.raises(SettingsProblem, match=rf"^roll\.toml: .*{key}"):
        with_changes(Settings(), {name: value}, WHERE)


def test_inset_and_border_exclude_each_other():
    inset = with_changes(Settings(), {"inset_mm": 0.5})
    with pytest.raises(SettingsProblem, match=r"^roll\.toml: inset and border exclude each other"):
        with_changes(inset, {"border_mm": 2.0}, WHERE)
    both = with_changes(inset, {"inset_mm": 0.0, "border_mm": 2.0})
    assert (both.inset_mm, both.border_mm) == (0.0, 2.0)


@given(st.floats(0, 0.95), st.floats(0.05, 4))
def test_white_is_always_above_black(black, white):
    if white > black:
        assert with_changes(Settings(), {"black": black, "white": white}).white[0] > black
    else:
        with pytest.raises(SettingsProblem, match="white point is not above"):
            with_changes(Settings(), {"black": black, "white": white})


def test_defaults_pass_their_own_checks():
    told = {field.name: getattr(Settings(), field.name) for field in dataclasses.fields(Settings)}
    assert with_changes(Settings(), told) == Settings()
    assert {"print", "log", "linear"} == set(LOOKS)
    assert Settings().archive_packing in ARCHIVE_PACKING
    assert find_space(Settings().archive_space).name == "romm-rgb"


def test_roll_file_is_told_apart_into_notes_settings_and_the_rest(tmp_path):
    path = roll_file(
        tmp_path,
        '\ufeffid = "été"\niso = 400\ndate = 2024-07-14\nexpected_frames = 37.0\n'
        'look = "log"\nformat = "135-half"\nweather = ["rain", "sun"]\n'
        "[batch]\nname = 'kit'\nrolls_before = 3\n",
    )
    notes, changes = read_roll_file(path)
    assert notes == RollNotes(
        id="été",
        iso=400,
        date=date(2024, 7, 14).isoformat(),
        expected_frames=37,
        batch={"name": "kit", "rolls_before": 3},
        other={"weather": ["rain", "sun"]},
    )
    assert changes == {"look": "log", "format": "135-half"}
    assert with_changes(Settings(), changes, path).format in FORMATS


def test_corrections_of_frames_are_read_with_the_notes(tmp_path):
    path = roll_file(tmp_path, 'iso = 200\n[[frames]]\nnumber = "07"\nleft_mm = 0.4\n')
    notes, changes = read_roll_file(path)
    assert notes == RollNotes(iso=200, frames=(FrameCorrection(1, "07", left_mm=0.4),))
    assert changes == {}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[frames]\nnumber = '07'\n", "'frames' is no list of tables"),
        ("[[frames]]\nnumber = '07'\n", "entry 1 of [[frames]]: tells nothing about frame 07"),
        ("[[frame]]\nnumber = '07'\n", "key 'frame' is not known; write 'frames'"),
    ],
)
def test_bad_correction_is_refused_with_file_and_entry(tmp_path, text, told):
    path = roll_file(tmp_path, text)
    with pytest.raises(SettingsProblem) as refused:
        read_roll_file(path)
    assert str(refused.value).startswith(f"{path}: {told}")


@pytest.mark.parametrize(
    ("slip", "meant"),
    [
        ("exposre", "exposure"), ("ISO", "iso"), ("share-size", "share_size"),
        ("first_nubmer", "first_number"), ("photographr", "photographer"), ("Batch", "batch"),
    ],
)  # fmt: skip
def test_slip_of_the_pen_is_named_with_what_was_meant(tmp_path, slip, meant):
    path = roll_file(tmp_path, f"{slip} = 1\n")
    with pytest.raises(
        SettingsProblem, match=f"key '{slip}' is not known; write '{meant}'"
    ) as told:
        read_roll_file(path)
    assert told.value.path == path


@pytest.mark.parametrize(
    ("heading", "key"),
    [
        ("[batch]", "exposure"), ("[batch]", "first-number"), ("[batch]", "expected_frames"),
        ("[wedge]", "look"), ("[[frames]]", "iso"), ("[[reference]]", "gamma"),
        ("[bracket]", "Share_Size"), ("[darkroom]", "share"),
    ],
)  # fmt: skip
def test_what_stands_under_a_heading_that_is_not_its_own_is_named(tmp_path, heading, key):
    path = roll_file(tmp_path, f"id = 'a'\n{heading}\n{key} = 1\n")
    with pytest.raises(SettingsProblem) as told:
        read_roll_file(path)
    assert str(told.value) == (
        f"{path}: key '{key}' stands under {heading}, where it does nothing; "
        "put it above the first heading."
    )


def test_a_slip_under_batch_is_named_and_other_keys_are_kept(tmp_path):
    path = roll_file(tmp_path, "[batch]\nname = 'kit'\ndeveloper = 'powder'\nnotes = 'fresh'\n")
    assert read_roll_file(path)[0].batch["developer"] == "powder"
    path = roll_file(tmp_path, "[batch]\nrolls_befor = 3\n")
    meant = r"key 'rolls_befor' under \[batch\] is not known; write 'rolls_before'"
    with pytest.raises(SettingsProblem, match=meant):
        read_roll_file(path)


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("iso = 0", "iso"), ("iso = 400.5", "iso"), ("iso = 'fast'", "iso"),
        ("iso = true", "iso"), ("iso = nan", "iso"), (f"iso = 1{'0' * 400}", "iso"),
        ("expected_frames = -1", "expected_frames"), ("camera = ['a']", "camera"),
        ("film = {a = 1}", "film"), ("notes = true", "notes"), ("batch = 3", "batch"),
    ],
)  # fmt: skip
def test_bad_note_is_refused_with_file_and_key(tmp_path, line, key):
    path = roll_file(tmp_path, line)
    with pytest.raises(SettingsProblem, match=f"'{key}'") as told:
        read_roll_file(path)
    assert str(told.value).startswith(f"{path}: ")


@pytest.mark.parametrize("text", [b"id = ", b"\xff\xfe", b"id = 1\nid = 2", b"a = " + b"[" * 9000])
def test_what_is_no_toml_is_told_in_one_sentence(tmp_path, text):
    path = tmp_path / "roll.toml"
    path.write_bytes(text)
    with pytest.raises(SettingsProblem, match="can't be read as TOML"):
        read_roll_file(path)


def test_roll_file_that_cannot_be_opened_is_no_fault_of_a_line(tmp_path):
    with pytest.raises(SettingsProblem, match="check the file and its permissions"):
        read_roll_file(tmp_path)
