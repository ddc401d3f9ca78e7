"""Corrections of frames: what the user writes under [[frames]] in roll.toml, checked."""

import difflib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from pipeline.problem import SettingsProblem

Triple = tuple[float, float, float]
KINDS = ("picture", "partial", "blank", "fogged")

# A frame of 135 film is 36 mm long: what lies farther off is another frame.
_FARTHEST_MM = 40.0
_RANGES = {
    "left_mm": (-_FARTHEST_MM, _FARTHEST_MM),
    "right_mm": (-_FARTHEST_MM, _FARTHEST_MM),
    "top_mm": (-_FARTHEST_MM, _FARTHEST_MM),
    "bottom_mm": (-_FARTHEST_MM, _FARTHEST_MM),
    "move_mm": (-_FARTHEST_MM, _FARTHEST_MM),
    "gap_mm": (-_FARTHEST_MM, _FARTHEST_MM),
    # A strip may be a whole roll, about 1.6 m of film.
    "at_mm": (0.0, 2000.0),
    "turn_deg": (-15.0, 15.0),
    "exposure": (-10.0, 10.0),
    "balance": (-3.0, 3.0),
    # Candle light to the bluest sky. Lights farther from the Planckian locus than 0.03 are coloured
    # (CIE 15:2018, 9.5, gives a correlated temperature a meaning up to 0.05).
    "temperature_k": (2000.0, 25000.0),
    "tint": (-30.0, 30.0),
    "neutral": (0.0, 1.0),
}
_MOVES = ("left_mm", "right_mm", "top_mm", "bottom_mm", "move_mm", "turn_deg")
_COLOURS = ("exposure", "balance", "temperature_k", "tint", "neutral")
_LISTS = {"balance": 3, "neutral": 2}
_OF_FOUND = ("number", *_MOVES, "kind", "drop", "merge_with", "renumber", "onward", *_COLOURS)
_OF_ADDED = (
    *("add", "after", "before", "gap_mm", "scan", "strip", "at_mm", *_MOVES, "kind"),
    *_COLOURS,
)
_NUMBER = re.compile(r"(X|[0-9]{1,3})(A?)([A-Z]?|-[0-9]{1,4})", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True)
class FrameCorrection:
    """One entry of [[frames]]: a frame that was found, or one to add, and what is to be done.

    Numbers are those that frames have without any correction, so that an entry means the same
    frame in every run. Moves of edges and of the whole frame are in mm, to the right and down
    in the picture as it is written; `turn_deg` turns the frame's edges clockwise there.
    `exposure` is in stops, `balance` in log10 exposure of red, green and blue, both on top of the
    roll's. `temperature_k` and `tint` (distance from the Planckian locus, Duv times 1000, above 0
    greenish) tell the light of the scene; `neutral` is a place in the picture, shares of its
    width and height from its top left, where it becomes neutral. `entry` counts the entries
    from 1.
    """

    entry: int
    number: str | None = None
    left_mm: float = 0.0
    right_mm: float = 0.0
    top_mm: float = 0.0
    bottom_mm: float = 0.0
    move_mm: float = 0.0
    turn_deg: float = 0.0
    kind: str | None = None
    drop: bool = False
    merge_with: tuple[str, ...] = ()
    renumber: str | None = None
    onward: bool = False
    add: bool | str = False
    after: str | None = None
    before: str | None = None
    gap_mm: float | None = None
    scan: str | None = None
    strip: int | None = None
    at_mm: float | None = None
    exposure: float = 0.0
    balance: Triple | None = None
    temperature_k: float | None = None
    tint: float | None = None
    neutral: tuple[float, float] | None = None

    @property
    def name(self) -> str:
        """Return what the entry is called in a message."""
        if self.number is not None:
            return f"frame {self.number}"
        return f"frame to add (entry {self.entry} of [[frames]])"

    @property
    def moves(self) -> bool:
        """Tell whether the entry moves an edge."""
        return any(getattr(self, name) for name in _MOVES)

    @property
    def colours(self) -> bool:
        """Tell whether the entry changes exposure or colour."""
        return bool(self.exposure) or any(getattr(self, name) is not None for name in _COLOURS[1:])


def _refuse(where: Path | None, entry: int, what: str, remedy: str) -> SettingsProblem:
    return SettingsProblem(where, f"entry {entry} of [[frames]]: {what}", remedy)


def _frame_number(key: str, value: Any, entry: int, where: Path | None) -> str:
    """Return a number as frames carry it, with the letter that sets apart a number met again."""
    match = None
    if isinstance(value, (int, str)) and not isinstance(value, bool):
        match = _NUMBER.fullmatch(str(value).strip())
    if match is None:
        raise _refuse(where, entry, f"'{key}' is {value!r}, no frame number", 'write it as in "07"')
    digits, half, rest = match.group(1).upper(), match.group(2).upper(), match.group(3).lower()
    return (digits if digits == "X" else digits.zfill(2)) + half + rest


def _numbers(key: str, value: Any, entry: int, where: Path | None) -> tuple[str, ...]:
    parts = value if isinstance(value, list) else [value]
    return tuple(dict.fromkeys(_frame_number(key, part, entry, where) for part in parts))


def _length(key: str, value: Any, entry: int, where: Path | None) -> float:
    low, high = _RANGES[key]
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise _refuse(where, entry, f"'{key}' is {value!r}, not a number", "give a number")
    if not low <= value <= high:
        raise _refuse(
            where, entry, f"'{key}' is {value:g}", f"give a value from {low:g} to {high:g}"
        )
    return float(value)


def _several(key: str, value: Any, entry: int, where: Path | None) -> tuple[float, ...]:
    count = _LISTS[key]
    if not isinstance(value, list) or len(value) != count:
        example = "[0.02, 0.0, -0.01]" if count == 3 else "[0.5, 0.25]"
        raise _refuse(
            where,
            entry,
            f"'{key}' is {value!r}, not a list of {count} numbers",
            f"write it as in {example}",
        )
    return tuple(_length(key, item, entry, where) for item in value)


def _checked(key: str, value: Any, entry: int, where: Path | None) -> Any:
    """Return the value of one key in its own type."""
    if key in _LISTS:
        return _several(key, value, entry, where)
    if key in _RANGES:
        return _length(key, value, entry, where)
    if key in ("number", "after", "before", "renumber"):
        return _frame_number(key, value, entry, where)
    if key == "merge_with":
        return _numbers(key, value, entry, where)
    if key == "kind" and value not in KINDS:
        raise _refuse(where, entry, f"'kind' is {value!r}", f"choose one of {', '.join(KINDS)}")
    if key in ("drop", "onward") and value is not True:
        raise _refuse(where, entry, f"'{key}' is {value!r}", "write true, or leave it out")
    if key == "add" and value is not True:
        return _frame_number(key, value, entry, where)
    if key == "scan" and not (isinstance(value, str) and value.strip()):
        raise _refuse(where, entry, f"'scan' is {value!r}", "give the file's name")
    if key == "strip" and (isinstance(value, bool) or not isinstance(value, int) or value < 1):
        raise _refuse(
            where, entry, f"'strip' is {value!r}", "count strips from 1, as the contact sheet does"
        )
    return value


def _refuse_unknown(key: str, entry: int, where: Path | None) -> None:
    known = [item.name for item in fields(FrameCorrection) if item.name != "entry"]
    if key in known:
        return
    near = difflib.get_close_matches(key.replace("-", "_").lower(), known, 1, 0.8)
    remedy = f"write '{near[0]}' if that is meant" if near else f"choose from {', '.join(known)}"
    raise _refuse(where, entry, f"key '{key}' is not known", remedy)


def _refuse_contradiction(told: Mapping[str, Any], entry: int, where: Path | None) -> None:
    """Raise where the keys of one entry don't go together."""
    adds = "add" in told
    if not adds and "number" not in told:
        raise _refuse(
            where, entry, "names no frame", 'write number = "07", or add = true for a new frame'
        )
    strange = [key for key in told if key not in (_OF_ADDED if adds else _OF_FOUND)]
    if strange:
        whose = "a frame to add has no" if adds else "only a frame to add has"
        remedy = 'give its number as add = "07"' if strange == ["number"] else "leave it out"
        raise _refuse(where, entry, f"{whose} '{strange[0]}'", remedy)
    of_light = [key for key in ("balance", "temperature_k", "tint") if key in told]
    if "neutral" in told and of_light:
        raise _refuse(
            where, entry, f"'neutral' and '{of_light[0]}' contradict", "leave one of them out"
        )
    if adds:
        _refuse_no_place(told, entry, where)
    elif len(told) == 1:
        raise _refuse(
            where, entry, f"tells nothing about frame {told['number']}", "add what is to be done"
        )
    elif "drop" in told and len(told) > 2:
        other = next(key for key in told if key not in ("drop", "number"))
        raise _refuse(where, entry, f"'drop' and '{other}' contradict", "leave one of them out")
    elif "onward" in told and "renumber" not in told:
        raise _refuse(where, entry, "'onward' tells no number", "write renumber beside it")
    elif "merge_with" in told and not told["merge_with"]:
        raise _refuse(where, entry, "'merge_with' names no other frame", "name one")
    elif told["number"] in told.get("merge_with", ()):
        raise _refuse(where, entry, "merges a frame with itself", "name the other frame")


def _refuse_no_place(told: Mapping[str, Any], entry: int, where: Path | None) -> None:
    places = [key for key in ("after", "before", "at_mm") if key in told]
    if len(places) != 1:
        raise _refuse(
            where,
            entry,
            "has no place to add a frame" if not places else f"has places {' and '.join(places)}",
            "write one of after, before, or at_mm with scan or strip",
        )
    on_strip = "scan" in told or "strip" in told
    if (places[0] == "at_mm") != on_strip:
        raise _refuse(
            where,
            entry,
            "'at_mm' and the strip go together",
            "write at_mm with scan or strip, else after or before",
        )
    if "gap_mm" in told and places[0] == "at_mm":
        raise _refuse(where, entry, "'gap_mm' and 'at_mm' contradict", "leave one of them out")


def _refuse_repeated(entries: Sequence[FrameCorrection], where: Path | None) -> None:
    """Raise where two entries work on the same frame."""
    seen: set[str] = set()
    for item in entries:
        for number in filter(None, (item.number, *item.merge_with)):
            if number in seen:
                raise _refuse(
                    where,
                    item.entry,
                    f"frame {number} has an entry already",
                    "tell all of a frame in one entry",
                )
            seen.add(number)


def read_corrections(value: Any, where: Path | None = None) -> tuple[FrameCorrection, ...]:
    """Return the entries of [[frames]] checked, as far as they can be without the roll.

    Raises
    ------
    SettingsProblem
        If one makes no sense; the message tells which, by its place in the file.
    """
    if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
        raise SettingsProblem(
            where, "'frames' is no list of tables", "write each under a heading [[frames]]"
        )
    entries = []
    for entry, table in enumerate(value, 1):
        told = {}
        for key, item in table.items():
            _refuse_unknown(key, entry, where)
            told[key] = _checked(key, item, entry, where)
        _refuse_contradiction(told, entry, where)
        entries.append(FrameCorrection(entry, **told))
    _refuse_repeated(entries, where)
    return tuple(entries)
