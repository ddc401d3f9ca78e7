"""Published directions of process faults, from profiles/process_faults.toml."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property, partial
from pathlib import Path
from typing import Annotated, Any

import numpy as np

from pipeline.check import Closed, Text, Wrong, one_of, read, read_profile, then, within
from pipeline.film import profiles_folder
from pipeline.kinds import Float64

# What a control strip shows and in how many channels, from red on; retained silver is blue only.
QUANTITIES = {"d_min": 3, "ld": 3, "contrast": 3, "d_max": 3, "yellow": 2, "retained": 1}
CODES = (
    "under-developed", "over-developed", "high-base", "retained-silver", "colour-crossover",
)  # fmt: skip
UNNAMED = "unnamed"
_STRENGTHS = ("plain", "slightly", "most")


@dataclass(frozen=True)
class Stray:
    """How far real deviations stray from the directions; shares are of the fault's size."""

    reading_density: Annotated[float, within(0.001, 0.1)]
    amount_share: Annotated[float, within(0.05, 2.0)]
    channel_share: Annotated[float, within(0.01, 2.0)]
    level_share: Annotated[float, within(0.01, 2.0)]
    unnamed_share: Annotated[float, within(0.05, 2.0)]
    size_lowest: Annotated[float, within(0.1, 5.0)]
    size_highest: Annotated[float, within(5.0, 100.0)]
    other_cause: Annotated[float, within(0.001, 0.5)]


@dataclass(frozen=True, eq=False)
class Fault:
    """One fault: `direction` (15,) has the channels of QUANTITIES one after the other.

    Above zero is up; 1 is plainly so, NaN is not named. `tell` says what parts it from others,
    `remedy` what to do, an imperative without a full stop.
    """

    cause: str
    code: str
    direction: Float64
    tell: str
    remedy: str


def _ways(channels: int, told: Any) -> tuple[tuple[str, float], ...]:
    """Return for each channel how strongly it moves, in words, and its sign, NaN if unnamed."""
    words = told if isinstance(told, list) else [told] * channels
    if len(words) != channels:
        raise Wrong(f"is not one word or {channels}")
    return tuple(_way(word) for word in words)


def _way(word: Any) -> tuple[str, float]:
    signs = {"level": 0.0, UNNAMED: math.nan, "up": 1.0, "down": -1.0}
    amount, _, way = word.rpartition(" ") if isinstance(word, str) else ("", "", "")
    if way not in signs or (amount and (amount not in _STRENGTHS or way not in ("up", "down"))):
        raise Wrong(f"is {word!r}, not up, down, slightly up, most up and so on, level")
    return amount or "plain", signs[way]


_Way = tuple[str, float]
_Size = Annotated[float, within(0.05, 5.0)]
_UNTOLD: _Way = ("plain", math.nan)
_Three = Annotated[tuple[_Way, ...], read(partial(_ways, 3))]


@dataclass(frozen=True)
class _Fault(Closed):
    cause: Text
    code: Annotated[str, one_of(CODES)]
    tell: Text
    remedy: Text
    d_min: _Three = 3 * (_UNTOLD,)
    ld: _Three = 3 * (_UNTOLD,)
    contrast: _Three = 3 * (_UNTOLD,)
    d_max: _Three = 3 * (_UNTOLD,)
    yellow: Annotated[tuple[_Way, ...], read(partial(_ways, 2))] = 2 * (_UNTOLD,)
    retained: Annotated[tuple[_Way, ...], read(partial(_ways, 1))] = (_UNTOLD,)

    def direction(self, strengths: Mapping[str, float]) -> Float64:
        """Return the fault's direction (15,), as `Fault` has it."""
        ways = [way for name in QUANTITIES for way in getattr(self, name)]
        return np.array([strengths[amount] * sign for amount, sign in ways])


def _moving(fault: _Fault) -> _Fault:
    if not np.nan_to_num(fault.direction(dict.fromkeys(_STRENGTHS, 1.0))).any():
        raise Wrong("moves nothing")
    return fault


def _some(faults: tuple[_Fault, ...]) -> tuple[_Fault, ...]:
    if not faults:
        raise Wrong("is no list of faults")
    return faults


@dataclass(frozen=True)
class _Strength:
    plain: _Size
    slightly: _Size
    most: _Size


@dataclass(frozen=True)
class FaultTable:
    """All faults, as the file has them and with their directions, and how they show."""

    source: Text
    strength: _Strength
    stray: Stray
    fault: Annotated[tuple[Annotated[_Fault, then(_moving)], ...], then(_some)]

    @cached_property
    def faults(self) -> tuple[Fault, ...]:
        """Return all faults."""
        strengths = vars(self.strength)
        return tuple(
            Fault(told.cause, told.code, told.direction(strengths), told.tell, told.remedy)
            for told in self.fault
        )


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
    return read_profile(FaultTable, path, "process profile")
