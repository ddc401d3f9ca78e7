import os
import shutil
import sqlite3
import sys
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.bath import file as bath_file
from pipeline.bath.batch import Batch
from pipeline.bath.file import APPLICATION_ID, SCHEMA, default_log
from pipeline.bath.log import BathLog
from pipeline.problem import Exit, OutputProblem, SettingsProblem

NOBODY = 65534


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "bath.sqlite"
    BathLog(path).write([Batch("spring")], "new")
    return path


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """Return a folder that other users may look into."""
    folder = Path(tempfile.mkdtemp(dir="/tmp"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def as_another_user(action) -> str:
    """Return what `action` says when somebody without rights on our files does it."""
    reader, writer = os.pipe()
    with warnings.catch_warnings():
        # Newer interpreters warn of threads, such as numpy's own; the child starts none.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        if os.geteuid() == 0:
            os.setuid(NOBODY)
        try:
            told = repr(action())
        except OutputProblem as problem:
            told = str(problem)
        except BaseException as error:
            told = f"another error: {error!r}"
        os.write(writer, told.encode())
        os._exit(0)
    os.close(writer)
    os.waitpid(child, 0)
    with os.fdopen(reader) as file:
        return file.read()


def refused(path: Path) -> str:
    """Return the sentence that reading and writing a file are both refused with."""
    with pytest.raises(OutputProblem) as of_reading:
        BathLog(path, 0.05).entries()
    with pytest.raises(OutputProblem) as of_writing:
        BathLog(path, 0.05).write([Batch("autumn")], "new")
    assert str(of_reading.value) == str(of_writing.value)
    assert of_reading.value.exit_code == Exit.NOTHING_DONE
    assert "\n" not in str(of_reading.value)
    return str(of_reading.value)


def test_place_follows_the_xdg_base_directory_specification(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
):
    """$XDG_DATA_HOME, else $HOME/.local/share; a path that is not absolute is to be ignored."""
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert default_log() == tmp_path / "data" / "evenroll" / "bath.sqlite"
    monkeypatch.setenv("XDG_DATA_HOME", "data")
    assert default_log() == tmp_path / ".local" / "share" / "evenroll" / "bath.sqlite"
    monkeypatch.delenv("XDG_DATA_HOME")
    assert default_log() == tmp_path / ".local" / "share" / "evenroll" / "bath.sqlite"
    monkeypatch.setattr(sys, "platform", "darwin")
    assert default_log().parts[-4:-1] == ("Library", "Application Support", "evenroll")
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "local"))
    assert default_log() == tmp_path / "local" / "evenroll" / "bath.sqlite"


def test_without_a_home_the_user_is_asked(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)

    def homeless() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(Path, "home", homeless)
    with pytest.raises(SettingsProblem, match="--log"):
        default_log()


def test_the_file_says_what_it_is(log: Path):
    """SQLite's file format, 1.3: user version at byte 60, application id at byte 68."""
    head = log.read_bytes()[:100]
    assert head.startswith(b"SQLite format 3\0")
    assert int.from_bytes(head[60:64], "big") == SCHEMA
    assert int.from_bytes(head[68:72], "big") == APPLICATION_ID
    assert head[68:72] == b"evrl"


def test_folders_above_are_made_and_names_are_free(tmp_path: Path):
    path = tmp_path / "a" / "50% ?x=1#b &c" / "löğ.sqlite"
    assert BathLog(path).entries() == ()
    assert not path.parent.exists()
    BathLog(path).write([Batch("spring")], "new")
    assert BathLog(path).entries() == (Batch("spring"),)
    assert [each.name for each in path.parent.iterdir()] == [path.name]


def test_an_empty_file_becomes_a_log(tmp_path: Path):
    path = tmp_path / "empty"
    path.touch()
    assert BathLog(path).entries() == ()
    assert path.stat().st_size == 0
    BathLog(path).write([Batch("spring")], "new")
    assert BathLog(path).entries() == (Batch("spring"),)


def test_what_is_no_log_is_told_apart(tmp_path: Path):
    text = tmp_path / "notes.txt"
    text.write_text("developer, 38 C\n" * 100, "utf-8")
    assert "is no log of batches" in refused(text)
    assert text.read_text("utf-8") == "developer, 38 C\n" * 100
    assert "is a folder" in refused(tmp_path)
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as database:
        database.execute("CREATE TABLE batch (name)")
    database.close()
    before = other.read_bytes()
    assert "is a database, but no log" in refused(other)
    assert other.read_bytes() == before


def test_a_newer_log_is_left_alone(log: Path):
    with sqlite3.connect(log) as database:
        database.execute(f"PRAGMA user_version = {SCHEMA + 1}")
    database.close()
    before = log.read_bytes()
    assert "was written by a newer evenroll" in refused(log)
    assert log.read_bytes() == before


def test_a_log_that_stays_locked_is_told(log: Path):
    other = sqlite3.connect(log, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    assert "is being written by another program" in refused(log)
    other.execute("ROLLBACK")
    other.close()
    assert BathLog(log).entries() == (Batch("spring"),)


@pytest.mark.parametrize("name", ["link/bath.sqlite", "file/below/bath.sqlite"])
def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path, name: str):
    (tmp_path / "file").touch()
    (tmp_path / "link").symlink_to(tmp_path / "link")
    with pytest.raises(OutputProblem):
        BathLog(tmp_path / name).write([Batch("spring")], "new")


def test_a_read_only_log_can_be_read(open_folder: Path):
    path = open_folder / "bath.sqlite"
    BathLog(path).write([Batch("spring")], "new")
    path.chmod(0o444)
    open_folder.chmod(0o555)
    assert as_another_user(BathLog(path).entries) == repr((Batch("spring"),))
    told = as_another_user(lambda: BathLog(path).write([Batch("autumn")], "new"))
    assert told == f"{path}: can't be written, it is read-only; name another file with --log."
    path.chmod(0o000)
    assert "can't be opened" in as_another_user(BathLog(path).entries)
    missing = open_folder / "none.sqlite"
    told = as_another_user(lambda: BathLog(missing).write([Batch("autumn")], "new"))
    assert "can't be opened" in told
    open_folder.chmod(0o755)


def test_a_full_disk_is_told(log: Path, monkeypatch: pytest.MonkeyPatch):
    """The library's own limit of pages stands for the end of the disk: both give SQLITE_FULL."""
    connect = sqlite3.connect

    def small(*words, **options) -> sqlite3.Connection:
        database = connect(*words, **options)
        database.execute("PRAGMA max_page_count = 1")
        return database

    monkeypatch.setattr(bath_file.sqlite3, "connect", small)
    many = [Batch(f"batch {place}", notes="x" * 400) for place in range(200)]
    with pytest.raises(OutputProblem, match="the disk is full"):
        BathLog(log).write(many, "new")
    monkeypatch.undo()
    assert BathLog(log).entries() == (Batch("spring"),)
