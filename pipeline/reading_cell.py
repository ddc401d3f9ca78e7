"""Cells of a table of readings: numbers, dates, and what kind of patch was read."""

import math
import re
from datetime import UTC, datetime

from pipeline.problem import ScanProblem
from pipeline.reading_table import ReadingTable, Row, shown

PATCHES = ("d-min", "ld", "hd", "d-max", "yellow")
SPOTS = ("base", "edge-print", "grey", "picture")
ROW_KINDS = ("aim", "control", "step", "spot")
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
_KIND_WORDS = {"wedge": "step", "strip": "control"} | {kind: kind for kind in ROW_KINDS}
_NUMBER = re.compile(r"[+-]?(\d{1,9}(\.\d{0,30})?|\.\d{1,30})(e[+-]?\d{1,2})?", re.ASCII)
_STEP = re.compile(r"steps?(\d{0,4})", re.ASCII)
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", re.ASCII)
_YEARS = range(1900, 2200)


def number_in(table: ReadingTable, row: Row, column: str, low: float, high: float) -> float:
    """Return a cell as a number from low to high, NaN where it is empty.

    Raises
    ------
    ScanProblem
        If it is no number in these bounds.
    """
    text = row.cells.get(column, "")
    if not text:
        return math.nan
    plain = text.replace(",", ".") if "." not in text else text
    told = f"has {shown(text)} in column '{column}'"
    if not _NUMBER.fullmatch(plain.replace("\N{MINUS SIGN}", "-").casefold()):
        raise table.problem(row.line, f"{told}, which is no number", "write it as 0.65")
    value = float(plain.replace("\N{MINUS SIGN}", "-"))
    if not low <= value <= high:
        raise table.problem(
            row.line, f"{told}, outside {low:g} to {high:g}", "read it again and correct it"
        )
    return value + 0.0


def date_in(table: ReadingTable, row: Row) -> datetime | None:
    """Return the date, with the time if it is told, or None where there is none.

    ISO 8601, or day.month.year; a time with an offset is taken to UTC.

    Raises
    ------
    ScanProblem
        If it is no such date.
    """
    text = row.cells.get("date", "")
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
        raise _no_date(table, row, text) from error
    if when.year not in _YEARS:
        raise _no_date(table, row, text)
    return when


def _no_date(table: ReadingTable, row: Row, text: str) -> ScanProblem:
    what = f"has {shown(text)} in column 'date', which is no date"
    return table.problem(row.line, what, "write it as 2025-05-17")


def kind_and_patch(table: ReadingTable, row: Row) -> tuple[str, str]:
    """Return what a row is of ROW_KINDS, and its patch: of PATCHES, of SPOTS, or the step.

    Rows of the aim are 'aim' whether a patch or a spot was read.

    Raises
    ------
    ScanProblem
        If the row does not tell, or names a kind or patch that there is not.
    """
    told = row.cells.get("kind", "").casefold()
    if told and told not in _KIND_WORDS and told not in _AIM_WORDS:
        what = f"has the kind {shown(told)}"
        raise table.problem(row.line, what, f"write {', '.join(ROW_KINDS)}, or nothing")
    kind = "aim" if told in _AIM_WORDS else _KIND_WORDS.get(told, "")
    if not kind and row.cells.get("strip", "").casefold() in _AIM_WORDS:
        kind = "aim"
    word = re.sub(r"[^a-z0-9]", "", row.cells.get("patch", "").casefold())
    step = _STEP.fullmatch(word)
    if kind == "step" or (not kind and step):
        return "step", row.cells.get("step", "") or (step.group(1) if step else word)
    if kind == "spot":
        patch = _SPOT_WORDS.get(word)
    elif kind == "control":
        patch = _PATCH_WORDS.get(word)
    else:
        patch = _PATCH_WORDS.get(word) or _SPOT_WORDS.get(word)
    if patch is None:
        raise _no_patch(table, row, kind)
    return kind or ("spot" if patch in SPOTS else "control"), patch


def _no_patch(table: ReadingTable, row: Row, kind: str) -> ScanProblem:
    choice = {"spot": SPOTS, "control": PATCHES}.get(kind, (*PATCHES, "step", *SPOTS))
    text = row.cells.get("patch", "")
    what = f"has the patch {shown(text)}" if text else "names no patch"
    return table.problem(row.line, what, f"write one of {', '.join(choice)}")
