"""A batch of chemistry, the rolls developed in it, and their entries as rows of plain values."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime
from functools import cache
from typing import Any, TypeVar

from pipeline.film import shipped
from pipeline.problem import SettingsProblem
from pipeline.words import printable

Triple = tuple[float, float, float]
Value = str | float | None

FIGURES = ("edge_print", "contrast", "base")
_CHANNELS = ("red", "green", "blue")
_MOST_CHARACTERS = 500
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_TIME = re.compile(r"(\d{1,3}):([0-5]\d(?:\.\d+)?)", re.ASCII)
# What a number can be at all; anything outside is a slip.
_RANGES = {
    "volume_ml": (10.0, 1e6),
    "life_days": (1.0, 3650.0),
    "life_rolls": (0.25, 1e5),
    "compensation_percent_per_roll": (0.0, 50.0),
    "rolls": (0.01, 1000.0),
    "rolls_before": (0.0, 1e6),
    "temperature_c": (5.0, 60.0),
    "time_s": (10.0, 7200.0),
    "edge_print": (-0.5, 6.0),
    "contrast": (-0.5, 6.0),
    "base": (-0.5, 6.0),
}
_DATES = ("mixed", "developed")


@dataclass(frozen=True)
class Batch:
    """A batch of chemistry, as mixed.

    `life_days` and `life_rolls` are what its maker states, `compensation_percent_per_roll` the
    maker's rule for the developer's time, all three as the user notes them. `temperature_c` and
    `time_s` are the developer's for a first roll. What is not known is None.
    """

    name: str
    mixed: date | None = None
    volume_ml: float | None = None
    life_days: float | None = None
    life_rolls: float | None = None
    temperature_c: float | None = None
    time_s: float | None = None
    compensation_percent_per_roll: float | None = None
    notes: str | None = None


@dataclass(frozen=True)
class Use:
    """One roll developed in a batch.

    `rolls` is how many rolls of 135-36 it counts for, None meaning one; `rolls_before` what had
    gone through the batch before it, None where the log itself tells. `edge_print` is density
    above base, `contrast` a slope (density per log10 exposure), `base` density, each per channel.
    """

    batch: str
    roll: str
    developed: date | None = None
    film: str | None = None
    rolls: float | None = None
    rolls_before: float | None = None
    temperature_c: float | None = None
    time_s: float | None = None
    edge_print: Triple | None = None
    contrast: Triple | None = None
    base: Triple | None = None
    source: str | None = None

    @property
    def counts_for(self) -> float:
        """How many rolls it counts for."""
        return 1.0 if self.rolls is None else self.rolls


Entry = Batch | Use
Kind = TypeVar("Kind", bound=Batch | Use)
_NAMES = ("name", "batch", "roll")


@cache
def bath_limits() -> Mapping[str, Mapping[str, Any]]:
    """Return profiles/bath.toml: limits, keeping, spread and judging, each with its source."""
    return shipped("bath.toml")


def columns(kind: type[Entry]) -> tuple[str, ...]:
    """Return the names of an entry's values; figures per channel take three, as base_red."""
    return tuple(
        column
        for item in fields(kind)
        for column in (
            [f"{item.name}_{channel}" for channel in _CHANNELS]
            if item.name in FIGURES
            else [item.name]
        )
    )


def key_of(entry: Entry) -> tuple[str, ...]:
    """Return the names that an entry is known by: a batch's own, or its batch's and the roll's."""
    return (entry.name,) if isinstance(entry, Batch) else (entry.batch, entry.roll)


def to_row(entry: Entry) -> dict[str, Value]:
    """Return an entry as plain values by column: text, numbers, dates as ISO 8601 text."""
    row: dict[str, Value] = {}
    for name, value in vars(entry).items():
        if name in FIGURES:
            row |= {
                f"{name}_{channel}": None if value is None else value[place]
                for place, channel in enumerate(_CHANNELS)
            }
        else:
            row[name] = value.isoformat() if isinstance(value, date) else value
    return row


def from_row(kind: type[Kind], row: Mapping[str, Any]) -> Kind:
    """Return the entry that a row of plain values holds; numbers may be text.

    Raises
    ------
    SettingsProblem
        If a value makes no sense; the message names it.
    """
    values: dict[str, Any] = {}
    for item in fields(kind):
        if item.name in FIGURES:
            parts = [row.get(f"{item.name}_{channel}") for channel in _CHANNELS]
            values[item.name] = None if all(part in (None, "") for part in parts) else parts
        else:
            values[item.name] = row.get(item.name)
    return checked(kind, values)


def checked(kind: type[Kind], values: Mapping[str, Any]) -> Kind:
    """Return an entry out of values by field, each in its own type; text may stand for numbers.

    Raises
    ------
    SettingsProblem
        If a value makes no sense; the message names it.
    """
    known = {name: _checked(name, value) for name, value in values.items()}
    for name in _NAMES:
        if name in (item.name for item in fields(kind)) and known.get(name) is None:
            raise SettingsProblem(None, f"'{name}' is missing", "give it a name")
    return kind(**known)


def _checked(name: str, value: Any) -> Any:
    if value is None or value == "":
        return None
    if name in FIGURES:
        return _figure(name, value)
    if name in _RANGES:
        return _number(name, value)
    if name in _DATES:
        return _date(name, value)
    if not isinstance(value, (str, int, float)) or isinstance(value, bool):
        raise SettingsProblem(None, f"'{name}' is {value!r}", "write it as text")
    text = printable(value)
    if len(text) > _MOST_CHARACTERS:
        raise SettingsProblem(
            None, f"'{name}' has {len(text)} characters", f"keep to {_MOST_CHARACTERS}"
        )
    return text or None


def _number(name: str, value: Any) -> float:
    low, high = _RANGES[name]
    number: float | None = None
    if isinstance(value, str):
        text = value.strip()
        clock = _TIME.fullmatch(text) if name == "time_s" else None
        if clock is not None:
            number = 60.0 * int(clock[1]) + float(clock[2])
        elif _NUMBER.fullmatch(text):
            number = float(text)
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        number = float(value) if abs(value) < 1e300 else None
    if number is None or not low <= number <= high:
        raise SettingsProblem(
            None, f"'{name}' is {value!r}", f"give a number from {low:g} to {high:g}"
        )
    # Adding zero turns -0.0 into 0.0.
    return number + 0.0


def _figure(name: str, value: Any) -> Triple:
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 3:
        raise SettingsProblem(None, f"'{name}' is {value!r}", "give it for red, green and blue")
    if any(part in (None, "") for part in value):
        raise SettingsProblem(
            None, f"'{name}' is not given for all channels", "give it for red, green and blue"
        )
    red, green, blue = (_number(name, part) for part in value)
    return (red, green, blue)


def _date(name: str, value: Any) -> date:
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    try:
        return datetime.fromisoformat(str(value).strip()).date()
    except ValueError as error:
        raise SettingsProblem(
            None, f"'{name}' is {value!r}", "write the date as in 2025-05-03"
        ) from error


def rolls_before_each(uses: Sequence[Use]) -> tuple[tuple[Use, float], ...]:
    """Return the rolls in the order they were developed, each with the rolls done before it.

    They are put in order by date where all have one, else as they were entered. A roll that says
    itself how many went before it is believed.
    """
    dated = all(use.developed is not None for use in uses)
    ordered = sorted(uses, key=lambda use: use.developed or date.min) if dated else list(uses)
    done, placed = 0.0, []
    for use in ordered:
        before = done if use.rolls_before is None else use.rolls_before
        placed.append((use, before))
        done = max(done, before + use.counts_for)
    return tuple(placed)


def rolls_done(uses: Sequence[Use]) -> float:
    """Return how many rolls have gone through the batch."""
    return max((before + use.counts_for for use, before in rolls_before_each(uses)), default=0.0)
