"""Batches and rolls out of files and into them: a table of CSV, and a finished roll's roll.json."""

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, get_args, get_type_hints

from pipeline.bath.batch import (
    FIGURES,
    Batch,
    Entry,
    Use,
    checked,
    columns,
    from_row,
    key_of,
    to_row,
)
from pipeline.problem import ScanProblem, SettingsProblem
from pipeline.record import base_of, edge_films, read_document, strips_of
from pipeline.words import printable

_KINDS: dict[str, type[Entry]] = {"batch": Batch, "roll": Use}
# A batch's own name, its first column, stands in the column that its rolls name it in.
CSV_COLUMNS = ("kind", *dict.fromkeys(("batch", "roll", *columns(Batch)[1:], *columns(Use))))
# Where the values stand that a line has beyond its head.
_BEYOND = "beyond"
# What a roll.json may tell of its batch, and of itself.
_OF_BATCH = ("mixed", "volume_ml", "life_days", "life_rolls", "compensation_percent_per_roll")
_OF_ROLL = ("rolls", "rolls_before", "temperature_c", "time_s")


def csv_text(entries: Sequence[Entry]) -> str:
    """Return entries as CSV (RFC 4180) with a head, batches first; read back it gives the same."""
    file = io.StringIO(newline="")
    writer = csv.DictWriter(file, CSV_COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    ordered = sorted(entries, key=lambda entry: isinstance(entry, Use))
    writer.writerows(_line(entry) for entry in ordered)
    return file.getvalue()


def _line(entry: Entry) -> dict[str, Any]:
    row = {name: _shortest(value) for name, value in to_row(entry).items()}
    if isinstance(entry, Batch):
        return {"kind": "batch", "batch": row.pop("name"), **row}
    return {"kind": "roll", **row}


def _shortest(value: Any) -> str:
    """Return the shortest text that reads back as the same value."""
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    return "" if value is None else str(value)


def read_csv(path: Path) -> tuple[tuple[int, Entry], ...]:
    """Return the entries of a CSV file, each with its line; batches come before rolls.

    Columns may stand in any order, and those that say nothing may be missing; semicolons or tabs
    may part them, and then numbers may have a decimal comma. The same entry twice counts once.

    Raises SettingsProblem if the file can't be read or a line makes no sense; the message names the
    line.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise SettingsProblem(
            path, f"can't be read ({error.strerror})", "name a CSV file"
        ) from error
    except ValueError as error:
        raise SettingsProblem(
            path, f"is no text in UTF-8 ({error})", "save it as CSV in UTF-8"
        ) from error
    found: dict[tuple[str, ...], tuple[int, Entry]] = {}
    for line, row in _rows(path, text):
        try:
            entry = _entry(row)
        except SettingsProblem as problem:
            raise _at(path, line, problem.what, problem.remedy) from problem
        first, before = found.setdefault(key_of(entry), (line, entry))
        if before != entry:
            raise _at(
                path, line, f"says otherwise of '{row['batch']}' than line {first}", "keep one"
            )
    return tuple(sorted(found.values(), key=lambda item: isinstance(item[1], Use)))


def _at(path: Path, line: int, what: str, remedy: str) -> SettingsProblem:
    return SettingsProblem(path, f"line {line}: {what}", remedy)


def _rows(path: Path, text: str) -> list[tuple[int, dict[str, str]]]:
    head_line = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=head_line.count)
    lines = io.StringIO(text, newline="")
    reader = csv.DictReader(lines, restkey=_BEYOND, restval="", delimiter=delimiter, strict=True)
    rows: list[tuple[int, dict[str, str]]] = []
    try:
        reader.fieldnames = [name.strip().lower() for name in reader.fieldnames or ()]
        _check_head(path, reader.fieldnames)
        for row in reader:
            if _BEYOND in row:
                raise _at(
                    path, reader.line_num, "has more values than the head", "correct that line"
                )
            if any(value.strip() for value in row.values()):
                rows.append((reader.line_num, row if delimiter == "," else _with_points(row)))
    except csv.Error as error:
        line = reader.line_num + 1
        raise _at(path, line, f"is no CSV ({error})", "correct that line") from error
    return rows


def _check_head(path: Path, head: Sequence[str]) -> None:
    if "kind" not in head or "batch" not in head:
        raise _at(
            path, 1, "the columns 'kind' and 'batch' are missing", "write names of columns there"
        )
    for place, name in enumerate(head):
        if name not in CSV_COLUMNS:
            raise _at(path, 1, f"column '{name}' is not known", "take it out or correct its name")
        if name in head[:place]:
            raise _at(path, 1, f"column '{name}' is there twice", "take one of them out")


def _with_points(row: dict[str, str]) -> dict[str, str]:
    hints = get_type_hints(Batch) | get_type_hints(Use)
    text = {name for name, hint in hints.items() if str in (hint, *get_args(hint))}
    return {
        name: value if name in text or name == "kind" else value.replace(",", ".")
        for name, value in row.items()
    }


def _entry(row: dict[str, str]) -> Entry:
    word = row["kind"].strip().lower()
    kind = _KINDS.get(word)
    if kind is None:
        raise SettingsProblem(None, f"'kind' is '{row['kind']}'", "write batch or roll")
    own = {**row, "name": row["batch"]} if kind is Batch else row
    strange = [
        name
        for name, value in row.items()
        if value.strip() and name not in ("kind", "batch", *columns(kind))
    ]
    if strange:
        raise SettingsProblem(
            None, f"a {word} has no '{strange[0]}'", "leave that cell empty or correct 'kind'"
        )
    return from_row(kind, own)


def entries_of_roll(path: Path) -> tuple[Batch, Use]:
    """Return the batch and the roll that a `roll.json`, or the folder it lies in, tells of.

    The [batch] table of roll.toml stands in it under roll.batch. A key there that is none of ours
    is passed over. A film that nobody named is called by the code on its edge.

    Raises ScanProblem if it can't be read, names no batch, or holds a value that makes no sense.
    """
    path = path / "roll.json" if path.is_dir() else path
    document = read_document(path)
    roll, figures = (_table(document.get(name)) for name in ("roll", "densities"))
    noted = _table(roll.get("batch"))
    if not str(noted.get("name") or "").strip():
        raise ScanProblem(
            path,
            "names no batch of chemistry",
            "write its name under [batch] in the roll's roll.toml and run convert again",
        )
    batch = {name: noted.get(name) for name in ("name", *_OF_BATCH)}
    use = {name: noted.get(name) for name in _OF_ROLL}
    use |= {name: figures.get(name) for name in FIGURES}
    # A base against full scale is none of another roll's.
    if not all(base_of(strip).get("absolute", True) for strip in strips_of(document)):
        use["base"] = None
    film = roll.get("film") or next(iter(edge_films(document)), None)
    use |= {"batch": noted["name"], "roll": roll.get("id"), "film": film}
    use |= {"developed": roll.get("developed"), "source": printable(path)}
    try:
        return checked(Batch, batch), checked(Use, use)
    except SettingsProblem as problem:
        raise ScanProblem(
            path, problem.what, f"correct roll.toml and run convert again: {problem.remedy}"
        ) from problem


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}
