"""The file of a roll's notes: read as text, checked before it counts, written whole."""

from dataclasses import replace

import pytest

from pipeline.problem import SettingsProblem
from pipeline.review.notes_file import check_notes, notes_path, put_notes, text_of
from pipeline.settings import Roll, RollNotes, Settings


def test_notes_are_read_with_the_line_ends_that_the_user_writes(tmp_path):
    notes = tmp_path / "roll.toml"
    assert text_of(notes) is None
    notes.write_bytes("\ufeffiso = 200\r\n# snow\r\n".encode())
    assert text_of(notes) == "iso = 200\r\n# snow\r\n"
    notes.write_bytes(b"iso = \xff")
    with pytest.raises(SettingsProblem, match="can't be read as text"):
        text_of(notes)


def test_notes_that_make_no_sense_are_told_by_their_own_name(tmp_path):
    notes = tmp_path / "roll.toml"
    check_notes("iso = 200\nexposure = 0.3\n", notes)
    with pytest.raises(SettingsProblem, match="exposure") as told:
        check_notes("exposure = 99.0\n", notes)
    assert told.value.path == notes
    assert not notes.exists()


def test_notes_are_written_whole_and_taken_away(tmp_path):
    notes = tmp_path / "roll.toml"
    put_notes(notes, "iso = 200\n")
    assert notes.read_text("utf-8") == "iso = 200\n"
    put_notes(notes, None)
    put_notes(notes, None)
    assert list(tmp_path.iterdir()) == []


def test_a_roll_without_a_folder_has_no_place_for_notes(tmp_path):
    roll = Roll("sarrow-07", (), RollNotes(), Settings(), beside=tmp_path)
    assert notes_path(roll) == tmp_path / "roll.toml"
    with pytest.raises(SettingsProblem, match="no folder"):
        notes_path(replace(roll, beside=None))
