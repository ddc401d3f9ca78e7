"""The log of batches as a table of comma-separated values, a line for each batch and roll."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, get_args, get_type_hints

from pipeline.bath import Batch, Entry, Use, columns, from_row, to_row
from pipeline.problem import SettingsProblem

_KINDS: dict[str, type[Entry]] = {"batch": Batch, "roll": Use}
# A batch's own name stands in the column that its rolls name it in.
_OF_BATCH = tuple(name for name in columns(Batch) if name != "name")
CSV_COLUMNS = (
    "kind",
    *dict.fromkeys(("batch", "roll", *_OF_BATCH, *columns(Use))),
)


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

    Raises
    ------
    SettingsProblem
        If the file can't be read or a line makes no sense; the message names the line.
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
        key = (entry.name,) if isinstance(entry, Batch) else (entry.batch, entry.roll)
        first, before = found.setdefault(key, (line, entry))
        if before != entry:
            raise _at(
                path, line, f"says otherwise of '{row['batch']}' than line {first}", "keep one"
            )
    ordered = sorted(found.values(), key=lambda item: isinstance(item[1], Use))
    return tuple(ordered)


def _at(path: Path, line: int, what: str, remedy: str) -> SettingsProblem:
    return SettingsProblem(path, f"line {line}: {what}", remedy)


def _rows(path: Path, text: str) -> list[tuple[int, dict[str, str]]]:
    head_line = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=head_line.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[tuple[int, dict[str, str]]] = []
    line = 1
    try:
        head = [name.strip().lower() for name in next(reader, [])]
        _check_head(path, head)
        line = reader.line_num + 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                if len(cells) > len(head):
                    raise _at(path, line, "has more values than the head", "correct that line")
                values = cells + [""] * (len(head) - len(cells))
                row = dict(zip(head, values, strict=True))
                rows.append((line, row if delimiter == "," else _with_points(row)))
            line = reader.line_num + 1
    except csv.Error as error:
        raise _at(path, line, f"is no CSV ({error})", "correct that line") from error
    return rows


def _check_head(path: Path, head: list[str]) -> None:
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
