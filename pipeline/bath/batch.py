"""A batch of chemistry, the rolls developed in it, and their entries as rows of plain values."""

import re
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import date, datetime
from functools import cache
from typing import Annotated, Any, TypeVar

from pipeline.check import Wrong, made, noun, read, within
from pipeline.kinds import CHANNELS, Triple
from pipeline.profile import shipped
from pipeline.words import printable

Value = str | float | None

FIGURES = ("edge_print", "contrast", "base")
_PER_CHANNEL = "three numbers from -0.5 to 6, for red, green and blue"
_MOST_CHARACTERS = 500
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_TIME = re.compile(r"(\d{1,3}):([0-5]\d(?:\.\d+)?)", re.ASCII)


def _spoken(value: Any) -> Any:
    """Return numbers in text as numbers, in a row too; what is none stays."""
    if isinstance(value, (list, tuple)):
        return tuple(_spoken(part) for part in value)
    if isinstance(value, str):
        return float(value) if _NUMBER.fullmatch(value.strip()) else value
    # Adding zero turns -0.0 into 0.0.
    return value + 0.0 if isinstance(value, float) else value


def _timed(value: Any) -> Any:
    clock = _TIME.fullmatch(value.strip()) if isinstance(value, str) else None
    return value if clock is None else 60.0 * int(clock[1]) + float(clock[2])


def _day(value: Any) -> Any:
    with suppress(ValueError):
        known = isinstance(value, date)
        value = value if known else datetime.fromisoformat(str(value).strip())
    return value.date() if isinstance(value, datetime) else value


def _line(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        return value
    text = printable(value)
    if len(text) > _MOST_CHARACTERS:
        raise Wrong(f"it has {len(text)} characters", f"keep to {_MOST_CHARACTERS}")
    return text


# Limits are what a number can be at all; anything outside is a slip.
_Celsius = Annotated[float, within(5.0, 60.0, words="degrees Celsius from 5 to 60"), read(_spoken)]
_TIME_WORDS = "a time as in 3:15, or seconds from 10 to 7200"
_Seconds = Annotated[float, within(10.0, 7200.0, words=_TIME_WORDS), read(_spoken), read(_timed)]
_Millilitres = Annotated[
    float, within(10.0, 1e6, words="millilitres from 10 to 1000000"), read(_spoken)
]
_Percent = Annotated[float, within(0.0, 50.0, words="percents from 0 to 50"), read(_spoken)]
_Figure = Annotated[Triple, within(-0.5, 6.0, words=_PER_CHANNEL), read(_spoken)]
_Day = Annotated[date, noun("the date as in 2025-05-03", "write"), read(_day)]
_Line = Annotated[str, noun("text", "write it as"), read(_line)]


@dataclass(frozen=True)
class Batch:
    """A batch of chemistry, as mixed.

    `life_days` and `life_rolls` are what its maker states, `compensation_percent_per_roll` the
    maker's rule for the developer's time, all three as the user notes them. `temperature_c` and
    `time_s` are the developer's for a first roll. What is not known is None.
    """

    name: _Line
    mixed: _Day | None = None
    volume_ml: _Millilitres | None = None
    life_days: Annotated[float, within(1.0, 3650.0), read(_spoken)] | None = None
    life_rolls: Annotated[float, within(0.25, 1e5), read(_spoken)] | None = None
    temperature_c: _Celsius | None = None
    time_s: _Seconds | None = None
    compensation_percent_per_roll: _Percent | None = None
    notes: _Line | None = None


@dataclass(frozen=True)
class Use:
    """One roll developed in a batch.

    `rolls` is how many rolls of 135-36 it counts for, None meaning one; `rolls_before` what had
    gone through the batch before it, None where the log itself tells. `edge_print` is density
    above base, `contrast` a slope (density per log10 exposure), `base` density, each per channel.
    """

    batch: _Line
    roll: _Line
    developed: _Day | None = None
    film: _Line | None = None
    rolls: Annotated[float, within(0.01, 1000.0), read(_spoken)] | None = None
    rolls_before: Annotated[float, within(0.0, 1e6), read(_spoken)] | None = None
    temperature_c: _Celsius | None = None
    time_s: _Seconds | None = None
    edge_print: _Figure | None = None
    contrast: _Figure | None = None
    base: _Figure | None = None
    source: _Line | None = None

    @property
    def counts_for(self) -> float:
        """How many rolls it counts for."""
        return 1.0 if self.rolls is None else self.rolls


Entry = Batch | Use
Kind = TypeVar("Kind", bound=Batch | Use)


@cache
def bath_limits() -> Mapping[str, Mapping[str, Any]]:
    """Return profiles/bath.toml: limits, keeping, spread and judging, each with its source."""
    return shipped("bath.toml")


def columns(kind: type[Entry]) -> tuple[str, ...]:
    """Return the names of an entry's values; figures per channel take three, as base_red."""
    return tuple(column for item in fields(kind) for column in _columns_of(item.name))


def _columns_of(name: str) -> list[str]:
    return [f"{name}_{channel}" for channel in CHANNELS] if name in FIGURES else [name]


def key_of(entry: Entry) -> tuple[str, ...]:
    """Return the names that an entry is known by: a batch's own, or its batch's and the roll's."""
    return (entry.name,) if isinstance(entry, Batch) else (entry.batch, entry.roll)


def to_row(entry: Entry) -> dict[str, Value]:
    """Return an entry as plain values by column: text, numbers, dates as ISO 8601 text."""
    row: dict[str, Value] = {}
    for name, value in vars(entry).items():
        if name in FIGURES:
            row |= zip(_columns_of(name), value or (None, None, None), strict=True)
        else:
            row[name] = value.isoformat() if isinstance(value, date) else value
    return row


def from_row(kind: type[Kind], row: Mapping[str, Any]) -> Kind:
    """Return the entry that a row of plain values holds; numbers may be text.

    Raises SettingsProblem if a value makes no sense; the message names it.
    """
    values: dict[str, Any] = {}
    for item in fields(kind):
        parts = [row.get(column) for column in _columns_of(item.name)]
        if item.name not in FIGURES:
            values[item.name] = parts[0]
        elif any(part not in (None, "") for part in parts):
            values[item.name] = parts
    return checked(kind, values)


def checked(kind: type[Kind], values: Mapping[str, Any]) -> Kind:
    """Return an entry out of values by field, each in its own type; text may stand for numbers.

    Raises SettingsProblem if a value makes no sense; the message names it.
    """
    told = {n: value for n, value in values.items() if value is not None and printable(value)}
    return made(kind, told)


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


def freshest(uses: Sequence[Use], films: Collection[str], most: int) -> tuple[Use, ...]:
    """Return rolls of a film, by any of its names, whose base or edge print is known.

    At most so many, those developed in the freshest baths: wear is told against them.
    """
    names = {film.casefold() for film in films}
    batches: dict[str, list[Use]] = {}
    for use in uses:
        batches.setdefault(use.batch, []).append(use)
    placed = [
        (before, use)
        for of_batch in batches.values()
        for use, before in rolls_before_each(of_batch)
        if (use.film or "").casefold() in names and (use.base or use.edge_print)
    ]
    return tuple(use for _, use in sorted(placed, key=lambda each: each[0])[:most])


def rolls_done(uses: Sequence[Use]) -> float:
    """Return how many rolls have gone through the batch."""
    return max((before + use.counts_for for use, before in rolls_before_each(uses)), default=0.0)
