"""Tables of readings as text: rows of named cells, whatever spreadsheet they come from."""

import codecs
import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.problem import ScanProblem

MOST_BYTES = 4 << 20
MOST_ROWS = 20_000
_DELIMITERS = ("\t", ";", ",")
_IN_BRACKETS = re.compile(r"\([^)]*\)|\[[^]]*\]")
_BETWEEN_WORDS = re.compile(r"[\s._-]+")
_SHOWN = 40


@dataclass(frozen=True)
class Row:
    """One row: its line in the file, counted from 1, and its cells by the column's own name."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True)
class ReadingTable:
    """The rows of a file; `columns` are those known, `unused` the heads of all others."""

    path: Path
    columns: tuple[str, ...]
    unused: tuple[str, ...]
    rows: tuple[Row, ...]

    def problem(self, line: int, what: str, remedy: str) -> ScanProblem:
        """Return what is wrong in one line."""
        return line_problem(self.path, line, what, remedy)


def line_problem(path: Path, line: int, what: str, remedy: str) -> ScanProblem:
    """Return what is wrong in one line of a file."""
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
    return ReadingTable(path, known, unused, tuple(taken))


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
            raise line_problem(
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
        raise line_problem(
            path, line, f"names no column that is known, but {shown(', '.join(cells))}",
            "begin with a head row such as date,strip,patch,red,green,blue",
        )  # fmt: skip
    for name in known:
        if known.count(name) > 1:
            raise line_problem(
                path, line, f"names the column '{name}' more than once", "keep one of them"
            )
    return columns


def _row(path: Path, line: int, cells: list[str], columns: tuple[tuple[str, bool], ...]) -> Row:
    if any(cells[len(columns) :]):
        raise line_problem(
            path, line, f"has {len(cells)} cells where the head has {len(columns)}",
            "put quotation marks around cells with commas, or part cells by semicolons",
        )  # fmt: skip
    filled = cells + [""] * (len(columns) - len(cells))
    named = {
        name: cell for (name, is_known), cell in zip(columns, filled, strict=False) if is_known
    }
    return Row(line, named)
