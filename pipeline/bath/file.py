"""The file of the log of batches: where it lies, its tables, and transactions on it."""

import os
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from pipeline.bath.batch import Batch, Entry, Use, columns
from pipeline.problem import OutputProblem, SettingsProblem, reason_of

SCHEMA = 1
LOG_NAME = "bath.sqlite"
# 'evrl' in ASCII; SQLite keeps the number at byte 68 of the file (its file format, 1.3.8).
APPLICATION_ID = 0x6576726C
# Each kind of entry with its table and the columns it is known by.
TABLES: dict[type[Entry], tuple[str, tuple[str, ...]]] = {
    Batch: ("batch", ("name",)),
    Use: ("roll", ("batch", "roll")),
}
_ELSEWHERE = "name another file with --log"
# What went wrong, by SQLite's primary result code (sqlite.org/rescode.html).
_CAUSES = {
    sqlite3.SQLITE_BUSY: ("is being written by another program", "try again when that is done"),
    sqlite3.SQLITE_LOCKED: ("is being written by another program", "try again when that is done"),
    sqlite3.SQLITE_READONLY: ("can't be written, it is read-only", _ELSEWHERE),
    sqlite3.SQLITE_PERM: ("can't be opened, permission is denied", _ELSEWHERE),
    sqlite3.SQLITE_CANTOPEN: ("can't be opened", f"check its permissions, or {_ELSEWHERE}"),
    sqlite3.SQLITE_FULL: ("can't be written, the disk is full", "make room and try again"),
    sqlite3.SQLITE_NOTADB: ("is no log of batches", _ELSEWHERE),
}


def default_log() -> Path:
    """Return where the log lies if nobody says otherwise: the user's own data folder.

    That is $XDG_DATA_HOME where it is an absolute path, as the XDG base directory specification
    says, else the platform's folder for it.

    Raises SettingsProblem if there is no home folder.
    """
    said = os.environ.get("XDG_DATA_HOME", "")
    if said and Path(said).is_absolute():
        return Path(said) / "evenroll" / LOG_NAME
    try:
        home = Path.home()
    except RuntimeError as error:
        raise SettingsProblem(
            None, "there is no home folder to keep the log in", "name a file with --log"
        ) from error
    if sys.platform == "win32":
        folder = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        folder = home / "Library" / "Application Support"
    else:
        folder = home / ".local" / "share"
    return folder / "evenroll" / LOG_NAME


def is_empty(path: Path) -> bool:
    """Tell whether nothing has been written yet.

    Raises OutputProblem if the file can't be looked at.
    """
    try:
        return path.stat().st_size == 0
    except FileNotFoundError:
        return True
    except (OSError, ValueError) as error:
        raise OutputProblem(path, f"can't be opened ({reason_of(error)})", _ELSEWHERE) from error


@contextmanager
def transaction(path: Path, wait_s: float, write: bool = False) -> Iterator[sqlite3.Connection]:
    """Yield the file as it stands at one moment, whoever writes meanwhile.

    To `write`, it is made if need be, and nobody else can write into it. What is done becomes
    part of the file when the block ends without an error, whole or not at all.

    Raises OutputProblem if it is no log, is damaged, comes from a newer version, stays locked for
    `wait_s`, or can't be made or written.
    """
    if write:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            what = f"its folder can't be made ({error.strerror})"
            raise OutputProblem(path, what, _ELSEWHERE) from error
    if path.is_dir():
        raise OutputProblem(path, "is a folder", _ELSEWHERE)
    # Not read-only: what a killed writer left half done has to be rolled back first. SQLite
    # opens a file that can't be written for reading by itself.
    access = "rwc" if write else "rw"
    with _told(path), closing(_connected(path, access, wait_s)) as database:
        database.execute("BEGIN IMMEDIATE" if write else "BEGIN")
        if write and _is_new(database):
            _make_tables(database)
        _check(path, database)
        yield database
        database.execute("COMMIT")


def _connected(path: Path, access: str, wait_s: float) -> sqlite3.Connection:
    address = f"{path.absolute().as_uri()}?mode={access}"
    # The module opens no transactions of its own at isolation level None.
    database = sqlite3.connect(address, wait_s, isolation_level=None, uri=True)
    database.row_factory = sqlite3.Row
    return database


def _is_new(database: sqlite3.Connection) -> bool:
    (tables,) = database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    return bool(tables == 0 and _number(database, "application_id") == 0)


def damaged(path: Path, why: str) -> OutputProblem:
    """Return the problem of a log that holds what no log can hold."""
    return OutputProblem(
        path,
        f"can't be read as a log of batches ({why})",
        "bring back a copy of it, or move it away and import your last export",
    )


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn the library's errors into ours, told apart by their number."""
    try:
        yield
    except sqlite3.Error as error:
        # The lowest byte is the primary code; errors of the module itself have none.
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
        if code in _CAUSES:
            raise OutputProblem(path, *_CAUSES[code]) from error
        raise damaged(path, str(error)) from error
    except UnicodeError as error:
        # Names in a damaged file stand in the library's own messages.
        raise damaged(path, "its tables have names that are no text") from error


def _number(database: sqlite3.Connection, name: str) -> int:
    (value,) = database.execute(f"PRAGMA {name}").fetchone()
    return int(value)


def _check(path: Path, database: sqlite3.Connection) -> None:
    version = _number(database, "user_version")
    if _number(database, "application_id") != APPLICATION_ID:
        raise OutputProblem(path, "is a database, but no log of batches", _ELSEWHERE)
    if version > SCHEMA:
        raise OutputProblem(
            path,
            f"was written by a newer evenroll (log schema {version}, this one knows {SCHEMA})",
            "use the newer one, or let it export the log as CSV",
        )
    if version < SCHEMA:
        raise damaged(path, f"log schema {version}")


def _make_tables(database: sqlite3.Connection) -> None:
    for kind, (table, key) in TABLES.items():
        names = ", ".join(columns(kind))
        database.execute(
            f"CREATE TABLE {table} (number INTEGER PRIMARY KEY, {names}, UNIQUE ({', '.join(key)}))"
        )
    database.execute(
        "CREATE TABLE change (number INTEGER PRIMARY KEY, run INTEGER, kind, key, before)"
    )
    database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    database.execute(f"PRAGMA user_version = {SCHEMA}")
