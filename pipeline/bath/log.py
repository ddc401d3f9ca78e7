"""The log of chemistry batches, which several programs may write at once."""

import json
import sqlite3
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pipeline.bath.batch import Batch, Entry, Use, columns, from_row, key_of, to_row
from pipeline.bath.file import TABLES, damaged, is_empty, transaction
from pipeline.check import nearest
from pipeline.problem import SettingsProblem

_KEPT_CHANGES = 200

Mode = Literal["new", "fill", "same", "replace"]
Key = tuple[str, ...]


class ConflictProblem(SettingsProblem):
    """An entry that the log holds otherwise; `entry` is the one refused."""

    def __init__(self, entry: Entry, what: str, remedy: str) -> None:
        self.entry = entry
        super().__init__(None, what, remedy)


@dataclass(frozen=True)
class Written:
    """How many entries were new, changed, or stood already as given."""

    new: int
    changed: int
    same: int


class BathLog:
    """Reads and writes a log; each call opens the file anew and leaves nothing open.

    The file at `path` is made at the first writing; another program that is writing is waited for
    `wait_s`. All methods raise OutputProblem if the file is no log, is damaged, can't be read or
    written, comes from a newer version, or stays locked.
    """

    def __init__(self, path: Path, wait_s: float = 20.0) -> None:
        self.path = path
        self._wait_s = wait_s

    def entries(self) -> tuple[Entry, ...]:
        """Return all batches, then all rolls, each in the order they were entered."""
        if is_empty(self.path):
            return ()
        with transaction(self.path, self._wait_s) as database:
            return tuple(
                entry for kind in TABLES for entry in self._standing(database, kind).values()
            )

    def batch(self, name: str) -> tuple[Batch, tuple[Use, ...]]:
        """Return a batch and its rolls in the order they were entered.

        Raises SettingsProblem if the log has no batch of that name.
        """
        entries = self.entries()
        batches = {entry.name: entry for entry in entries if isinstance(entry, Batch)}
        if name not in batches:
            raise _unknown_batch(name, batches)
        uses = (entry for entry in entries if isinstance(entry, Use) and entry.batch == name)
        return batches[name], tuple(uses)

    def write(self, entries: Sequence[Entry], mode: Mode, settled: Collection[str] = ()) -> Written:
        """Write entries, all or none of them.

        A roll's batch must stand before it or in the log. Where the log has an entry of that name,
        `mode` 'new' refuses, 'fill' overwrites what is given (of fields `settled`, only what is
        missing) and keeps the rest, 'same' refuses unless it is the same, 'replace' takes the new
        one whole.

        Raises SettingsProblem if a roll's batch is not in the log. Raises ConflictProblem if an
        entry is refused.
        """
        counts = {"new": 0, "changed": 0, "same": 0}
        if is_empty(self.path) and not any(isinstance(entry, Batch) for entry in entries):
            # A roll without a batch is refused before a file is made for it.
            for entry in entries:
                raise _unknown_batch(key_of(entry)[0], ())
            return Written(**counts)
        with transaction(self.path, self._wait_s, write=True) as database:
            run = self._next_run(database)
            standing = {kind: self._standing(database, kind) for kind in TABLES}
            for entry in entries:
                if isinstance(entry, Use) and (entry.batch,) not in standing[Batch]:
                    raise _unknown_batch(entry.batch, [name for (name,) in standing[Batch]])
                same_kind, key = standing[type(entry)], key_of(entry)
                before = same_kind.get(key)
                after = entry if before is None else _joined(before, entry, mode, settled)
                if before == after:
                    counts["same"] += 1
                    continue
                counts["new" if before is None else "changed"] += 1
                _set(database, run, type(entry), key, after)
                same_kind[key] = after
        return Written(**counts)

    def remove(self, batch: str, roll: str | None = None) -> int:
        """Take a roll out of the log, or a batch with all its rolls; return how many rolls.

        Raises SettingsProblem if the log has no such entry.
        """
        if is_empty(self.path):
            raise _unknown_batch(batch, ())
        with transaction(self.path, self._wait_s, write=True) as database:
            run = self._next_run(database)
            batches, uses = self._standing(database, Batch), self._standing(database, Use)
            if (batch,) not in batches:
                raise _unknown_batch(batch, [name for (name,) in batches])
            rolls = [key for key in uses if key[0] == batch and roll in (None, key[1])]
            if roll is not None and not rolls:
                raise SettingsProblem(
                    None, f"batch '{batch}' has no roll '{roll}'", "look with 'evenroll bath show'"
                )
            for key in rolls:
                _set(database, run, Use, key, None)
            if roll is None:
                _set(database, run, Batch, (batch,), None)
        return len(rolls)

    def undo(self) -> tuple[str, ...]:
        """Take back the last change, and return the names of the entries concerned.

        Raises SettingsProblem if there is nothing to take back.
        """
        names: list[str] = []
        if not is_empty(self.path):
            with transaction(self.path, self._wait_s, write=True) as database:
                rows = database.execute(
                    "SELECT kind, key, before FROM change "
                    "WHERE run = (SELECT max(run) FROM change) ORDER BY number DESC"
                ).fetchall()
                try:
                    names = [_restored(database, *row) for row in rows]
                except (ValueError, KeyError, TypeError, RecursionError) as error:
                    raise damaged(self.path, "its list of changes makes no sense") from error
                database.execute("DELETE FROM change WHERE run = (SELECT max(run) FROM change)")
        if not names:
            raise SettingsProblem(
                None, "there is no change to take back", "look with 'evenroll bath list'"
            )
        return tuple(reversed(names))

    def _standing(self, database: sqlite3.Connection, kind: type[Entry]) -> dict[Key, Entry]:
        rows = database.execute(f"SELECT * FROM {_place(kind)[0]} ORDER BY number")
        try:
            entries = [from_row(kind, dict(row)) for row in rows]
        except SettingsProblem as problem:
            raise damaged(self.path, problem.what) from problem
        return {key_of(entry): entry for entry in entries}

    def _next_run(self, database: sqlite3.Connection) -> int:
        (last,) = database.execute("SELECT max(run) FROM change").fetchone()
        if not isinstance(last, int | None):
            raise damaged(self.path, "its list of changes makes no sense")
        database.execute("DELETE FROM change WHERE run <= ?", ((last or 0) - _KEPT_CHANGES,))
        return (last or 0) + 1


def _unknown_batch(name: str, names: Collection[str]) -> SettingsProblem:
    remedies = filter(None, (nearest(name, names), "begin it with 'evenroll bath mix'"))
    return SettingsProblem(None, f"the log has no batch '{name}'", ", or ".join(remedies))


def _place(kind: type[Entry]) -> tuple[str, str]:
    """Return the table of a kind of entry, and the condition that finds one in it."""
    table, key = TABLES[kind]
    return table, " AND ".join(f"{name} = ?" for name in key)


def _joined(before: Entry, given: Entry, mode: Mode, settled: Collection[str]) -> Entry:
    """Return what the log is to hold where it holds an entry of that name already."""
    name = " of ".join(reversed(key_of(given)))
    if mode == "new":
        raise ConflictProblem(
            given, f"'{name}' is in the log already",
            "give another name, or correct it with 'evenroll bath change'",
        )  # fmt: skip
    if mode == "same" and before != given:
        raise ConflictProblem(
            given, f"'{name}' is in the log with other values",
            "correct one of them, or overwrite with --replace",
        )  # fmt: skip
    if mode != "fill":
        return given
    told = {field: value for field, value in vars(given).items() if value is not None}
    for field in settled:
        held = getattr(before, field, None)
        if held is not None and told.get(field, held) != held:
            raise ConflictProblem(
                given, f"'{name}' has '{field}' {held} in the log and {told[field]} here",
                "correct one of them, or give a new batch a name of its own",
            )  # fmt: skip
    return type(before)(**{**vars(before), **told})


def _set(
    database: sqlite3.Connection, run: int, kind: type[Entry], key: Key, entry: Entry | None
) -> None:
    """Make an entry what it is to be, None for gone, and keep what it was, to be taken back."""
    table, where = _place(kind)
    held = database.execute(f"SELECT * FROM {table} WHERE {where}", key).fetchone()
    database.execute(
        "INSERT INTO change (run, kind, key, before) VALUES (?, ?, ?, ?)",
        (run, table, json.dumps(key), None if held is None else json.dumps(dict(held))),
    )
    database.execute(f"DELETE FROM {table} WHERE {where}", key)
    if entry is not None:
        # Without a number the table gives the next one.
        _insert(database, table, {"number": held and held["number"], **to_row(entry)})


def _insert(database: sqlite3.Connection, table: str, row: Mapping[str, Any]) -> None:
    database.execute(
        f"INSERT INTO {table} ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})",
        list(row.values()),
    )


def _restored(database: sqlite3.Connection, table: str, key: str, before: str | None) -> str:
    """Bring an entry back to what it was before a change; return its name."""
    kinds = {name: kind for kind, (name, _) in TABLES.items()}
    kind, values = kinds[table], tuple(str(part) for part in json.loads(key))
    database.execute(f"DELETE FROM {table} WHERE {_place(kind)[1]}", values)
    if before is not None:
        row = json.loads(before)
        _insert(database, table, {name: row[name] for name in ("number", *columns(kind))})
    return " of ".join(reversed(values))
