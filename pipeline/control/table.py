"""Tables of readings: rows of named cells out of any spreadsheet, and what the cells say."""

import codecs
import csv
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from itertools import islice, zip_longest
from pathlib import Path

from pipeline.problem import ScanProblem
from pipeline.profile import shipped
from pipeline.words import printable

MOST_BYTES = 4 << 20
MOST_ROWS = 20_000
_DELIMITERS = ("\t", ";", ",")
_IN_BRACKETS = re.compile(r"\([^)]*\)|\[[^]]*\]")
_BETWEEN_WORDS = re.compile(r"[\s._-]+")
_SHOWN = 40
PATCHES = ("d-min", "ld", "hd", "d-max", "yellow")
SPOTS = ("base", "edge-print", "grey", "picture")
ROW_KINDS = ("aim", "control", "step", "spot")
LARGEST_LOG_EXPOSURE = 10.0
_NUMBER = re.compile(r"[+-]?(\d{1,9}(\.\d{0,30})?|\.\d{1,30})(e[+-]?\d{1,2})?", re.ASCII)
_STEP = re.compile(r"steps?\d{0,4}", re.ASCII)
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
    plain = printable(text)
    return repr(plain if len(plain) <= _SHOWN else plain[:_SHOWN] + "...")


def column_word(text: str) -> str:
    """Return a column's head in one form: 'Log Exposure (lx s)' and 'log-exposure' are the same."""
    bare = _IN_BRACKETS.sub(" ", text.casefold()).strip()
    return _BETWEEN_WORDS.sub("_", bare).strip("_")


def read_table(path: Path, names: Mapping[str, str]) -> ReadingTable:
    """Return the rows of a CSV file of at most 4 MiB and 20 000 rows.

    Cells are parted by tabs, semicolons or commas, whichever the head has. Blank lines and lines
    that begin with # are passed over. UTF-8, UTF-16 with a byte order mark and Windows-1252.
    `names` are those of columns by the words (as `column_word` gives them) that may stand for them.

    Raises ScanProblem if the file can't be read, is no such table, or a row does not fit its head.
    """
    lines = _lines(_text(path))
    first = next((line for line in lines if line.strip()), "")
    rows = _cells(path, lines, _delimiter(first, names))
    line, head = next(rows, (1, []))
    if not head:
        raise ScanProblem(path, "holds no readings", "give a head row and a row for each reading")
    words = [column_word(cell) for cell in head]
    columns = [names.get(word) for word in words]
    known = tuple(name for name in columns if name is not None)
    _check_head(path, line, head, known)
    taken = tuple(islice((_row(path, *row, columns) for row in rows), MOST_ROWS + 1))
    if len(taken) > MOST_ROWS:
        raise ScanProblem(path, f"holds over {MOST_ROWS} rows", "split it into smaller files")
    return ReadingTable(known, tuple(word for word in words if word and word not in names), taken)


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
    """Return the lines as editors count them, blank where they are comments.

    str.splitlines would part at form feeds too.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return ["" if line.lstrip().startswith(("#", "sep=")) else line for line in lines]


def _delimiter(head: str, names: Mapping[str, str]) -> str:
    """Return the delimiter by which a head has most columns that are known."""

    def known(delimiter: str) -> int:
        return sum(column_word(cell.strip('" ')) in names for cell in head.split(delimiter))

    return max(_DELIMITERS, key=known)


def _cells(path: Path, lines: Sequence[str], delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the line and cells of each row that is not blank."""
    reader = csv.reader(
        (f"{line}\n" for line in lines), delimiter=delimiter, strict=True, skipinitialspace=True
    )
    # A row may reach over several lines: it is named by its first.
    line = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield line, [cell.strip() for cell in cells]
            line = reader.line_num + 1
    except csv.Error as error:
        raise _problem(
            path, line, f"can't be read as CSV ({error})", "check its quotation marks"
        ) from error


def _check_head(path: Path, line: int, head: Sequence[str], known: Sequence[str]) -> None:
    if not known:
        raise _problem(
            path, line, f"names no column that is known, but {shown(', '.join(head))}",
            "begin with a head row such as date,strip,patch,red,green,blue",
        )  # fmt: skip
    twice = [name for name in known if known.count(name) > 1]
    if twice:
        raise _problem(
            path, line, f"names the column '{twice[0]}' more than once", "keep one of them"
        )


def _row(path: Path, line: int, cells: list[str], columns: Sequence[str | None]) -> Row:
    if any(cells[len(columns) :]):
        raise _problem(
            path, line, f"has {len(cells)} cells where the head has {len(columns)}",
            "put quotation marks around cells with commas, or part cells by semicolons",
        )  # fmt: skip
    filled = zip_longest(columns, cells[: len(columns)], fillvalue="")
    return Row(path, line, {name: cell for name, cell in filled if name is not None})


def number_in(row: Row, column: str, low: float, high: float) -> float:
    """Return a cell as a number from low to high, NaN where it is empty.

    Raises ScanProblem if it is no number in these bounds.
    """
    text = row[column]
    if not text:
        return math.nan
    plain = text.replace("\N{MINUS SIGN}", "-").casefold()
    plain = plain if "." in plain else plain.replace(",", ".")
    told = f"has {shown(text)} in column '{column}'"
    if not _NUMBER.fullmatch(plain):
        raise row.problem(f"{told}, which is no number", "write it as 0.65")
    value = float(plain)
    if not low <= value <= high:
        raise row.problem(f"{told}, outside {low:g} to {high:g}", "read it again and correct it")
    return value + 0.0


def date_in(row: Row) -> datetime | None:
    """Return the date, with the time if it is told, or None where there is none.

    ISO 8601, or day.month.year; a time with an offset is taken to UTC.

    Raises ScanProblem if it is no such date.
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
        if when.year not in _YEARS:
            raise ValueError(text)
    except (ValueError, OverflowError) as error:
        what = f"has {shown(text)} in column 'date', which is no date"
        raise row.problem(what, "write it as 2025-05-17") from error
    return when


@cache
def words_of(section: str) -> dict[str, str]:
    """Return what the words of a section of profiles/readings.toml stand for."""
    table = shipped("readings.toml")[section]
    return {word: name for name, words in table.items() for word in words}


def kind_and_patch(row: Row) -> tuple[str, str]:
    """Return what a row is of ROW_KINDS, and its patch: of PATCHES, of SPOTS, '' for a step.

    Rows of the aim are 'aim' whether a patch or a spot was read.

    Raises ScanProblem if the row does not tell, or names a kind or patch that there is not.
    """
    told, text = row["kind"].casefold(), row["patch"]
    kinds, spots, patches = words_of("kinds"), words_of("spot"), words_of("control")
    if told and told not in kinds:
        what = f"has the kind {shown(told)}"
        raise row.problem(what, f"write {', '.join(ROW_KINDS)}, or nothing")
    kind = kinds.get(told, "aim" if kinds.get(row["strip"].casefold()) == "aim" else "")
    word = re.sub(r"[^a-z0-9]", "", text.casefold())
    if kind == "step" or (not kind and _STEP.fullmatch(word)):
        return "step", ""
    words = {"spot": spots, "control": patches}.get(kind, spots | patches)
    if word not in words:
        choice = {"spot": SPOTS, "control": PATCHES}.get(kind, (*PATCHES, "step", *SPOTS))
        what = f"has the patch {shown(text)}" if text else "names no patch"
        raise row.problem(what, f"write one of {', '.join(choice)}")
    patch = words[word]
    return kind or ("spot" if patch in SPOTS else "control"), patch
