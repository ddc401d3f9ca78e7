"""Published directions of process faults, from profiles/process_faults.toml."""

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.film import profiles_folder
from pipeline.profile_reader import ProfileReader

Floats = NDArray[np.float64]
# What a control strip shows and in how many channels, from red on; retained silver is blue only.
QUANTITIES = {"d_min": 3, "ld": 3, "contrast": 3, "d_max": 3, "yellow": 2, "retained": 1}
CODES = (
    "under-developed", "over-developed", "high-base", "retained-silver", "colour-crossover",
)  # fmt: skip
UNNAMED = "unnamed"


@dataclass(frozen=True)
class Stray:
    """How far real deviations stray from the directions; shares are of the fault's size."""

    reading_density: float
    amount_share: float
    channel_share: float
    level_share: float
    unnamed_share: float
    size_lowest: float
    size_highest: float
    other_cause: float


@dataclass(frozen=True, eq=False)
class Fault:
    """One fault: `direction` (15,) has the channels of QUANTITIES one after the other.

    Above zero is up; 1 is plainly so, NaN is not named. `tell` says what parts it from others,
    `remedy` what to do, an imperative without a full stop.
    """

    cause: str
    code: str
    direction: Floats
    tell: str
    remedy: str


@dataclass(frozen=True)
class FaultTable:
    """All faults, and how they show."""

    source: str
    faults: tuple[Fault, ...]
    stray: Stray


@cache
def fault_table() -> FaultTable:
    """Return the faults that come with evenroll; their source is named in the file."""
    return read_faults(profiles_folder() / "process_faults.toml")


def read_faults(path: Path) -> FaultTable:
    """Return the faults of a TOML file.

    Raises
    ------
    SettingsProblem
        If it can't be read, or a value is missing or makes no sense.
    """
    reader = ProfileReader(path, "process profile")
    entries = reader.value("fault")
    if not isinstance(entries, list) or not entries:
        raise reader.fail("fault", "is no list of faults")
    strengths = {
        word: reader.number(f"strength.{word}", 0.05, 5.0) for word in ("plain", "slightly", "most")
    }
    stray = Stray(
        reading_density=reader.number("stray.reading_density", 0.001, 0.1),
        amount_share=reader.number("stray.amount_share", 0.05, 2.0),
        channel_share=reader.number("stray.channel_share", 0.01, 2.0),
        level_share=reader.number("stray.level_share", 0.01, 2.0),
        unnamed_share=reader.number("stray.unnamed_share", 0.05, 2.0),
        size_lowest=reader.number("stray.size_lowest", 0.1, 5.0),
        size_highest=reader.number("stray.size_highest", 5.0, 100.0),
        other_cause=reader.number("stray.other_cause", 0.001, 0.5),
    )
    faults = tuple(_fault(reader, place, entry, strengths) for place, entry in enumerate(entries))
    return FaultTable(reader.text("source"), faults, stray)


def _fault(reader: ProfileReader, place: int, entry: Any, strengths: dict[str, float]) -> Fault:
    key = f"fault[{place}]"
    if not isinstance(entry, dict):
        raise reader.fail(key, "is not a table")
    texts: dict[str, str] = {}
    for name in ("cause", "code", "tell", "remedy"):
        text = entry.get(name)
        if not isinstance(text, str) or not text.strip():
            raise reader.fail(f"{key}.{name}", "is not a text")
        texts[name] = text
    if texts["code"] not in CODES:
        raise reader.fail(f"{key}.code", f"is {texts['code']!r}, not one of {', '.join(CODES)}")
    unknown = set(entry) - {*texts, *QUANTITIES}
    if unknown:
        raise reader.fail(f"{key}.{min(unknown)}", "is no quantity of a control strip")
    direction = []
    for name, channels in QUANTITIES.items():
        told = entry.get(name, UNNAMED)
        words = told if isinstance(told, list) else [told] * channels
        if len(words) != channels:
            raise reader.fail(f"{key}.{name}", f"is not one word or {channels}")
        direction += [_strength(reader, f"{key}.{name}", word, strengths) for word in words]
    if not np.nan_to_num(direction).any():
        raise reader.fail(key, "moves nothing")
    return Fault(direction=np.array(direction), **texts)


def _strength(reader: ProfileReader, key: str, word: Any, strengths: dict[str, float]) -> float:
    if word == "level":
        return 0.0
    if word == UNNAMED:
        return math.nan
    amount, _, way = word.rpartition(" ") if isinstance(word, str) else ("", "", "")
    if way not in ("up", "down") or (amount or "plain") not in strengths:
        raise reader.fail(key, f"is {word!r}, not up, down, slightly up, most up and so on, level")
    return strengths[amount or "plain"] * (1.0 if way == "up" else -1.0)
