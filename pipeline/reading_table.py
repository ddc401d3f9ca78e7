"""Tables of readings: rows of named cells out of any spreadsheet, and what the cells say."""

import codecs
import csv
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pipeline.problem import ScanProblem

MOST_BYTES = 4 << 20
MOST_ROWS = 20_000
_DELIMITERS = ("\t", ";", ",")
_IN_BRACKETS = re.compile(r"\([^)]*\)|\[[^]]*\]")
_BETWEEN_WORDS = re.compile(r"[\s._-]+")
_SHOWN = 40
PATCHES = ("d-min", "ld", "hd", "d-max", "yellow")
SPOTS = ("base", "edge-print", "grey", "picture")
KINDS = ("aim", "control", "step", "spot")
LARGEST_LOG_EXPOSURE = 10.0
# fmt: off
_PATCH_WORDS = {
    "dmin": "d-min", "ld": "ld", "hd": "hd", "dmax": "d-max", "yellow": "yellow", "y": "yellow",
    "minimumdensity": "d-min", "lowdensity": "ld", "highdensity": "hd", "maximumdensity": "d-max",
}
_SPOT_WORDS = {
    "base": "base", "dmin": "base", "edgeprint": "edge-print", "edge": "edge-print",
    "grey": "grey", "gray": "grey", "greycard": "grey", "graycard": "grey", "picture": "picture",
}
# fmt: on
_AIM_WORDS = frozenset({"aim", "reference", "ref"})
_KIND_WORDS = {"wedge": "step", "strip": "control"} | {kind: kind for kind in KINDS}
_NUMBER = re.compile(r"[+-]?(\d{1,9}(\.\d{0,30})?|\.\d{1,30})(e[+-]?\d{1,2})?", re.ASCII)
_STEP = re.compile(r"steps?(\d{0,4})", re.ASCII)
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", re.ASCII)
_YEARS = range(1900, 2200)


@dataclass(frozen=True)
class Row:
    """One row: its line in the file, counted from 1, and its cells by the column's own name."""

    path: Path
    line: int
    cells: Mapping[str, str]

    def __getitem__(self, column: str) -> str:
        """Return a cell, empty where the file has no such column."""
        return self.cells.get(column, "")

    def problem(self, what: str, remedy: str) -> ScanProblem:
        """Return what is wrong in this row."""
        return _problem(self.path, self.line, what, remedy)


@dataclass(frozen=True)
class ReadingTable:
    """The rows of a file; `columns` are those known, `unused` the heads of all others."""

    columns: tuple[str, ...]
    unused: tuple[str, ...]
    rows: tuple[Row, ...]


def _problem(path: Path, line: int, what: str, remedy: str) -> ScanProblem:
    return ScanProblem(path, f"line {line} {what}", remedy)


def shown(text: str) -> str:
    """Return a cell as it may stand in a sentence: quoted, cut, without control characters."""
    plain = "".join(char if char.isprintable() else " " for char in text[: _SHOWN + 1])
    return repr(plain if len(plain) <= _SHOWN else plain[:_SHOWN] + "...")


def column_word(text: str) -> str:
    """Return a column's head in one form: 'Log Exposure (lx s)' and 'log-exposure' are the same."""
    bare = _IN_BRACKETS.sub(" ", text.casefold()).strip()
    return _BETWEEN_WORDS.sub("_", bare).strip("_")


def read_table(path: Path, names: Mapping[str, str]) -> ReadingTable:
    """Return the rows of a CSV file.

    Cells are parted by tabs, semicolons or commas, whichever the head has. Blank lines and lines
    that begin with # are passed over. UTF-8, UTF-16 with a byte order mark and Windows-1252.

    Parameters
    ----------
    path
        The file, 4 MiB and 20 000 rows at most.
    names
        Names of columns by the words (as `column_word` gives them) that may stand for them.

    Raises
    ------
    ScanProblem
        If the file can't be read, is no such table, or a row does not fit its head.
    """
    lines = _lines(_text(path))
    rows: Iterator[tuple[int, list[str]]] = iter(())
    head: tuple[int, list[str]] | None = None
    for line, text in enumerate(lines, 1):
        if text.strip() and not text.lstrip().startswith("#") and not text.startswith("sep="):
            delimiter = _delimiter(text, names)
            rows = _cells(path, lines[line - 1 :], delimiter, line - 1)
            head = next(rows, None)
            break
    if head is None:
        raise ScanProblem(path, "holds no readings", "give a head row and a row for each reading")
    columns = _columns(path, head, names)
    taken = []
    for line, cells in rows:
        taken.append(_row(path, line, cells, columns))
        if len(taken) > MOST_ROWS:
            raise ScanProblem(path, f"holds over {MOST_ROWS} rows", "split it into smaller files")
    known = tuple(name for name, is_known in columns if is_known)
    unused = tuple(name for name, is_known in columns if not is_known and name)
    return ReadingTable(known, unused, tuple(taken))


def _text(path: Path) -> str:
    try:
        if not path.is_file():
            what = "is a folder" if path.is_dir() else "is not there"
            raise ScanProblem(path, what, "name a CSV file of readings")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ScanProblem(path, f"can't be read ({reason})", "check the file") from error
    if len(data) > MOST_BYTES:
        raise ScanProblem(
            path, f"is larger than {MOST_BYTES >> 20} MiB", "give a CSV file of readings only"
        )
    text = _decoded(data)
    if text is None or "\0" in text:
        raise ScanProblem(path, "is no text", "save the readings as CSV, not as a spreadsheet")
    return text


def _decoded(data: bytes) -> str | None:
    marked = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    for encoding in ("utf-16",) if marked else ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return None


def _lines(text: str) -> list[str]:
    """Return the lines as editors count them: str.splitlines parts at form feeds too."""
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _delimiter(head: str, names: Mapping[str, str]) -> str:
    """Return the delimiter by which a head has most columns that are known."""

    def known(delimiter: str) -> int:
        return sum(column_word(cell.strip('" ')) in names for cell in head.split(delimiter))

    return max(_DELIMITERS, key=known)


def _cells(
    path: Path, lines: Sequence[str], delimiter: str, passed: int
) -> Iterator[tuple[int, list[str]]]:
    """Yield the line and cells of each row; comments count as lines and give no row."""
    plain = ("\n" if line.lstrip().startswith("#") else line + "\n" for line in lines)
    reader = csv.reader(plain, delimiter=delimiter, strict=True, skipinitialspace=True)
    while True:
        # A row may reach over several lines: it is named by its first.
        line = passed + reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise _problem(
                path, line, f"can't be read as CSV ({error})", "check its quotation marks"
            ) from error
        if any(cell.strip() for cell in cells):
            yield line, [cell.strip() for cell in cells]


def _columns(
    path: Path, head: tuple[int, list[str]], names: Mapping[str, str]
) -> tuple[tuple[str, bool], ...]:
    """Return each column's name and whether it is known."""
    line, cells = head
    words = [column_word(cell) for cell in cells]
    columns = tuple((names.get(word, word), word in names) for word in words)
    known = [name for name, is_known in columns if is_known]
    if not known:
        raise _problem(
            path, line, f"names no column that is known, but {shown(', '.join(cells))}",
            "begin with a head row such as date,strip,patch,red,green,blue",
        )  # fmt: skip
    for name in known:
        if known.count(name) > 1:
            raise _problem(
                path, line, f"names the column '{name}' more than once", "keep one of them"
            )
    return columns


def _row(path: Path, line: int, cells: list[str], columns: tuple[tuple[str, bool], ...]) -> Row:
    if any(cells[len(columns) :]):
        raise _problem(
            path, line, f"has {len(cells)} cells where the head has {len(columns)}",
            "put quotation marks around cells with commas, or part cells by semicolons",
        )  # fmt: skip
    filled = cells + [""] * (len(columns) - len(cells))
    named = {
        name: cell for (name, is_known), cell in zip(columns, filled, strict=False) if is_known
    }
    return Row(path, line, named)


def number_in(row: Row, column: str, low: float, high: float) -> float:
    """Return a cell as a number from low to high, NaN where it is empty.

    Raises
    ------
    ScanProblem
        If it is no number in these bounds.
    """
    text = row[column]
    if not text:
        return math.nan
    plain = text.replace(",", ".") if "." not in text else text
    told = f"has {shown(text)} in column '{column}'"
    if not _NUMBER.fullmatch(plain.replace("\N{MINUS SIGN}", "-").casefold()):
        raise row.problem(f"{told}, which is no number", "write it as 0.65")
    value = float(plain.replace("\N{MINUS SIGN}", "-"))
    if not low <= value <= high:
        raise row.problem(f"{told}, outside {low:g} to {high:g}", "read it again and correct it")
    return value + 0.0


def date_in(row: Row) -> datetime | None:
    """Return the date, with the time if it is told, or None where there is none.

    ISO 8601, or day.month.year; a time with an offset is taken to UTC.

    Raises
    ------
    ScanProblem
        If it is no such date.
    """
    text = row["date"]
    if not text:
        return None
    day_first = _DAY_FIRST.fullmatch(text)
    try:
        if day_first:
            day, month, year = map(int, day_first.groups())
            when = datetime(year, month, day)
        else:
            when = datetime.fromisoformat(text)
        if when.tzinfo is not None:
            when = when.astimezone(UTC).replace(tzinfo=None)
    except (ValueError, OverflowError) as error:
        raise _no_date(row) from error
    if when.year not in _YEARS:
        raise _no_date(row)
    return when


def _no_date(row: Row) -> ScanProblem:
    what = f"has {shown(row['date'])} in column 'date', which is no date"
    return row.problem(what, "write it as 2025-05-17")


def kind_and_patch(row: Row) -> tuple[str, str]:
    """Return what a row is of KINDS, and its patch: of PATCHES, of SPOTS, or the step.

    Rows of the aim are 'aim' whether a patch or a spot was read.

    Raises
    ------
    ScanProblem
        If the row does not tell, or names a kind or patch that there is not.
    """
    told = row["kind"].casefold()
    if told and told not in _KIND_WORDS and told not in _AIM_WORDS:
        what = f"has the kind {shown(told)}"
        raise row.problem(what, f"write {', '.join(KINDS)}, or nothing")
    kind = "aim" if told in _AIM_WORDS else _KIND_WORDS.get(told, "")
    if not kind and row["strip"].casefold() in _AIM_WORDS:
        kind = "aim"
    word = re.sub(r"[^a-z0-9]", "", row["patch"].casefold())
    step = _STEP.fullmatch(word)
    if kind == "step" or (not kind and step):
        return "step", row["step"] or (step.group(1) if step else word)
    if kind == "spot":
        patch = _SPOT_WORDS.get(word)
    elif kind == "control":
        patch = _PATCH_WORDS.get(word)
    else:
        patch = _PATCH_WORDS.get(word) or _SPOT_WORDS.get(word)
    if patch is None:
        raise _no_patch(row, kind)
    return kind or ("spot" if patch in SPOTS else "control"), patch


def _no_patch(row: Row, kind: str) -> ScanProblem:
    choice = {"spot": SPOTS, "control": PATCHES}.get(kind, (*PATCHES, "step", *SPOTS))
    text = row["patch"]
    what = f"has the patch {shown(text)}" if text else "names no patch"
    return row.problem(what, f"write one of {', '.join(choice)}")
