"""The journal of an output folder: done is only what stands as it was written."""

import json
import os
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.roll import journal as module
from pipeline.roll.journal import JOURNAL_NAME, Journal, key_of
from pipeline.settings.settings import Settings
from pipeline.small_file import content_hash
from pipeline.whole_file import is_ours

KEY = key_of("settings", 1)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "r_07.tif").write_bytes(b"picture")
    (tmp_path / "r_07.xmp").write_bytes(b"sidecar")
    return tmp_path


@pytest.fixture
def noted(folder):
    Journal(folder).note("07", KEY, ("r_07.tif", "r_07.xmp"))
    return folder


def test_what_was_noted_is_done_in_the_next_run(noted):
    assert Journal(noted).is_done("07", KEY)


@pytest.mark.parametrize(("name", "key"), [("07", key_of("other")), ("08", KEY), ("07", "")])
def test_other_key_or_frame_is_not_done(noted, name, key):
    assert not Journal(noted).is_done(name, key)


def test_missing_file_is_not_done(noted):
    (noted / "r_07.xmp").unlink()
    assert not Journal(noted).is_done("07", KEY)


def test_file_of_another_size_is_not_done(noted):
    (noted / "r_07.tif").write_bytes(b"another picture")
    assert not Journal(noted).is_done("07", KEY)


def test_file_of_another_time_is_not_done(noted):
    path = noted / "r_07.tif"
    os.utime(path, ns=(0, path.stat().st_mtime_ns + 1))
    assert not Journal(noted).is_done("07", KEY)


def test_file_that_was_missing_when_noted_is_not_done(folder):
    journal = Journal(folder)
    journal.note("08", KEY, ("r_08.tif",))
    assert not journal.is_done("08", KEY)
    assert not Journal(folder).is_done("08", KEY)


def test_notes_of_several_frames_stand_side_by_side_and_the_last_one_counts(folder):
    journal = Journal(folder)
    for key in ("old", KEY):
        journal.note("08", key, ("r_07.xmp",))
        journal.note("07", key, ("r_07.tif",))
    again = Journal(folder)
    assert again.is_done("07", KEY)
    assert again.is_done("08", KEY)
    assert not again.is_done("07", "old")


def test_journal_has_the_same_bytes_whatever_the_order_of_the_frames(folder):
    texts = []
    for names in (("07", "08"), ("08", "07")):
        journal = Journal(folder)
        for name in names:
            journal.note(name, KEY, ("r_07.tif",))
        texts.append((folder / JOURNAL_NAME).read_bytes())
        (folder / JOURNAL_NAME).unlink()
    assert texts[0] == texts[1]


def test_large_journal_is_still_known_as_ours(noted):
    # The mark must lie at the start, which is all that is read before a file is replaced.
    journal = Journal(noted)
    journal._entries |= {f"{n}": {"key": KEY, "files": {"f" * 200: None}} for n in range(2000)}
    journal.note("08", KEY, ("r_07.tif",))
    journal.save()
    path = noted / JOURNAL_NAME
    assert path.stat().st_size > 1 << 19
    path.write_bytes(path.read_bytes()[:200])
    assert is_ours(path)


DAMAGED = [
    b"", b"{", b"\xff\xfe", b"null", b"[]", b"7", b'"text"', b"{}", b"[" * 100000,
    b'{"entries": 3}', b'{"entries": []}', b'{"entries": {"07": 3}}', b'{"entries": {"07": "x"}}',
]  # fmt: skip


@pytest.mark.parametrize("content", DAMAGED)
def test_damaged_journal_is_ignored_and_replaced(folder, content):
    (folder / JOURNAL_NAME).write_bytes(content)
    journal = Journal(folder)
    assert not journal.is_done("07", KEY)
    journal.note("07", KEY, ("r_07.tif",))
    assert Journal(folder).is_done("07", KEY)


@pytest.mark.parametrize("files", [None, 3, [], "r_07.tif", {"r_07.tif": None}, {"a\0b": [1, 2]}])
def test_entry_of_nonsense_is_not_done(noted, files):
    document = {"evenroll": "journal", "entries": {"07": {"key": KEY, "files": files}}}
    (noted / JOURNAL_NAME).write_text(json.dumps(document))
    assert not Journal(noted).is_done("07", KEY)


def test_truncated_anywhere_it_never_raises_and_never_lies(noted):
    whole = (noted / JOURNAL_NAME).read_bytes()
    # Without the closing brace and newline nothing of it can be trusted.
    for length in range(len(whole) - 1):
        (noted / JOURNAL_NAME).write_bytes(whole[:length])
        assert not Journal(noted).is_done("07", KEY)


def test_folder_without_a_journal_or_not_there_has_nothing_done(tmp_path):
    assert not Journal(tmp_path).is_done("07", KEY)
    assert not Journal(tmp_path / "absent").is_done("07", KEY)
    assert list(tmp_path.iterdir()) == []


def test_save_goes_by_way_of_a_whole_file(folder, monkeypatch):
    written: list[Path] = []
    monkeypatch.setattr(module, "write_text", lambda path, text: written.append(path))
    Journal(folder).note("07", KEY, ("r_07.tif",))
    assert written == [folder / JOURNAL_NAME]
    assert not (folder / JOURNAL_NAME).exists()


def test_a_long_journal_is_not_saved_at_every_note(folder, monkeypatch):
    clock = [0.0]

    def slow(path: Path, text: Iterable[str]) -> None:
        clock[0] += sum(map(len, text)) / 1e6
        saved.append(path)

    saved: list[Path] = []
    monkeypatch.setattr(module, "write_text", slow)
    monkeypatch.setattr(module.time, "monotonic", lambda: clock[0])
    journal = Journal(folder)
    for number in range(2000):
        clock[0] += 0.001
        journal.note(f"{number}", KEY, ("r_07.tif",))
        # Of a roll's frames none is done again after a crash.
        assert number > 150 or len(saved) == number + 1
    writing = clock[0] - 2000 * 0.001
    # Saved every time, 2000 notes would take over 300 s by that clock.
    assert writing < 10
    before = len(saved)
    journal.save()
    journal.save()
    assert len(saved) == before + 1


@pytest.fixture
def settled(tmp_path, monkeypatch):
    """Return a scan that last changed a minute ago, by the clock."""
    scan = tmp_path / "strip.tif"
    scan.write_bytes(b"scan")
    later = max(scan.stat().st_mtime_ns, scan.stat().st_ctime_ns) + 60 * 10**9
    monkeypatch.setattr(module.time, "time_ns", lambda: later)
    return scan


def noted_hash(folder, scan) -> None:
    journal = Journal(folder)
    journal.note_hash(scan, "cafe")
    journal.note("07", KEY, ("r_07.tif",))


def test_content_is_known_while_size_times_and_inode_hold(folder, settled):
    noted_hash(folder, settled)
    assert Journal(folder).known_hash(settled) == "cafe"


@pytest.mark.parametrize("how", ["rewritten", "replaced", "touched", "gone"])
def test_content_of_a_changed_scan_is_not_known(folder, settled, how):
    noted_hash(folder, settled)
    found = settled.stat()
    if how == "rewritten":
        settled.write_bytes(b"nacs")
        os.utime(settled, ns=(found.st_atime_ns, found.st_mtime_ns))
    elif how == "replaced":
        other = settled.with_name("other")
        other.write_bytes(b"nacs")
        os.utime(other, ns=(found.st_atime_ns, found.st_mtime_ns))
        other.replace(settled)
    elif how == "touched":
        os.utime(settled, ns=(found.st_atime_ns, found.st_mtime_ns + 1))
    else:
        settled.unlink()
    assert Journal(folder).known_hash(settled) is None


def test_content_of_a_scan_just_written_is_not_trusted(folder, settled, monkeypatch):
    monkeypatch.setattr(module.time, "time_ns", lambda: settled.stat().st_mtime_ns + 10**6)
    noted_hash(folder, settled)
    assert Journal(folder).known_hash(settled) is None


@pytest.mark.parametrize("scans", [3, [], {"x": 3}, {"x": None}])
def test_scans_of_nonsense_spoil_the_journal_and_nothing_else(folder, settled, scans):
    document = {"evenroll": "journal", "entries": {}, "scans": scans}
    (folder / JOURNAL_NAME).write_text(json.dumps(document))
    assert Journal(folder).known_hash(settled) is None


@pytest.mark.parametrize("noted", [{}, {"state": 3, "sha256": "x"}, {"state": None, "sha256": 3}])
def test_a_scan_noted_as_nonsense_is_not_known(folder, settled, noted):
    document = {"evenroll": "journal", "entries": {}, "scans": {str(settled): noted}}
    (folder / JOURNAL_NAME).write_text(json.dumps(document))
    assert Journal(folder).known_hash(settled) is None


def test_a_pipe_in_its_place_is_not_waited_for(folder):
    os.mkfifo(folder / JOURNAL_NAME)
    assert not Journal(folder).is_done("07", KEY)


PARTS = st.lists(st.integers() | st.text() | st.floats(allow_nan=False) | st.none(), max_size=4)


@given(PARTS, PARTS)
def test_keys_are_equal_just_where_the_parts_are(one, other):
    assert (key_of(*one) == key_of(*other)) == (repr(one) == repr(other))


def test_every_setting_changes_the_key():
    plain = key_of(Settings())
    assert plain == key_of(Settings())
    changed = [Settings(look="log"), Settings(exposure=0.1), Settings(write_blanks=True)]
    assert plain not in {key_of(settings) for settings in changed}
    # Parts must not run into each other.
    assert key_of("ab", "c") != key_of("a", "bc")


def test_forgotten_frame_leaves_no_file_and_is_not_done(noted):
    (noted / "other.tif").write_bytes(b"other")
    assert Journal(noted).forget("07")
    assert sorted(path.name for path in noted.iterdir()) == [JOURNAL_NAME, "other.tif"]
    assert not Journal(noted).is_done("07", KEY)
    assert not Journal(noted).forget("07")


def test_forgetting_leaves_what_is_no_longer_as_it_was_written(noted):
    (noted / "r_07.tif").write_bytes(b"retouched")
    assert Journal(noted).forget("07")
    assert sorted(path.name for path in noted.glob("r_*")) == ["r_07.tif"]


def test_forgetting_touches_nothing_outside_the_folder(folder):
    outside = folder.parent / "outside.tif"
    outside.write_bytes(b"mine")
    Journal(folder).note("07", KEY, ("../outside.tif",))
    assert not Journal(folder).forget("07")
    assert outside.read_bytes() == b"mine"


def test_files_noted_instead_of_others_take_their_place(folder):
    """Of fewer sheets than before, those that are no more go, but for one that was changed."""
    names = ("sheet.jpg", "sheet-2.jpg", "sheet-3.jpg")
    for name in names:
        (folder / name).write_bytes(b"sheet")
    journal = Journal(folder)
    journal.note("report", KEY, names, instead=True)
    assert all((folder / name).exists() for name in names)
    (folder / "sheet-3.jpg").write_bytes(b"painted over")
    journal.note("report", key_of("fewer"), names[:1], instead=True)
    assert [(folder / name).exists() for name in names] == [True, False, True]
    assert Journal(folder).is_done("report", key_of("fewer"))


def test_a_file_that_the_user_changed_is_known_and_stands(folder):
    journal = Journal(folder)
    hashes = {name: content_hash(folder / name) for name in ("r_07.tif", "r_07.xmp")}
    journal.note("07", KEY, tuple(hashes), hashes)
    (folder / "r_07.xmp").write_bytes(b"sidecar, four stars")
    again = Journal(folder)
    assert again.changed("07") == ("r_07.xmp",)
    assert again.stands("07", KEY)
    assert not again.is_done("07", KEY)

    # The rest is made anew under another key; the user's is known as theirs ever after.
    again.note("07", key_of("new"), ("r_07.tif",), left=("r_07.xmp",))
    assert Journal(folder).changed("07") == ("r_07.xmp",)
    assert Journal(folder).stands("07", key_of("new"))


def test_a_copy_with_the_same_bytes_is_not_changed(folder):
    hashes = {name: content_hash(folder / name) for name in ("r_07.tif", "r_07.xmp")}
    Journal(folder).note("07", KEY, tuple(hashes), hashes)
    for name in hashes:
        os.utime(folder / name, ns=(0, 0))
    assert Journal(folder).is_done("07", KEY)


def test_what_is_left_of_a_forgotten_frame_stays_known_as_changed(noted):
    (noted / "r_07.tif").write_bytes(b"retouched")
    Journal(noted).forget("07")
    assert Journal(noted).changed("07") == ("r_07.tif",)
    assert not Journal(noted).stands("07", KEY)


@pytest.mark.parametrize("hashes", [None, 3, [], {"r_07.tif": 3}, {"r_07.tif": None}])
def test_hashes_of_nonsense_tell_nothing(noted, hashes):
    document = json.loads((noted / JOURNAL_NAME).read_text())
    document["entries"]["07"]["hashes"] = hashes
    (noted / JOURNAL_NAME).write_text(json.dumps(document))
    assert Journal(noted).is_done("07", KEY)
    (noted / "r_07.tif").write_bytes(b"retouched")
    assert Journal(noted).changed("07") == ("r_07.tif",)
