"""Published directions of process faults, and how far real deviations stray from them."""

import math
from dataclasses import dataclass
from functools import cache, partial
from typing import Annotated, Any

import numpy as np

from pipeline.check import Closed, Text, Wrong, one_of, read, read_profile, then, within
from pipeline.kinds import Float64
from pipeline.profile import profiles_folder

# What a control strip shows and in how many channels, from red on; retained silver is blue only.
QUANTITIES = {"d_min": 3, "ld": 3, "contrast": 3, "d_max": 3, "yellow": 2, "retained": 1}
CODES = (
    "under-developed", "over-developed", "high-base", "retained-silver", "colour-crossover",
)  # fmt: skip
UNNAMED = "unnamed"
_Way = tuple[str, float]
# How strongly a channel moves and its sign, by the file's words; what is not named is NaN.
_UNTOLD: _Way = ("plain", math.nan)
_WAYS: dict[str, _Way] = {
    "level": ("plain", 0.0),
    UNNAMED: _UNTOLD,
    **{
        f"{strength} {word}".removeprefix("plain "): (strength, sign)
        for strength in ("plain", "slightly", "most")
        for word, sign in (("up", 1.0), ("down", -1.0))
    },
}


@dataclass(frozen=True)
class Stray:
    """How far real deviations stray from the directions; shares are of the fault's size.

    `control_share` and `control_channel` are what a process in control strays by in any case, in
    action limits; `normal` is how probable it is beforehand that nothing else is at work.
    """

    reading_density: Annotated[float, within(0.001, 0.1)]
    control_share: Annotated[float, within(0.01, 1.0)]
    control_channel: Annotated[float, within(0.01, 1.0)]
    normal: Annotated[float, within(0.01, 0.99)]
    amount_share: Annotated[float, within(0.05, 2.0)]
    channel_share: Annotated[float, within(0.01, 2.0)]
    level_share: Annotated[float, within(0.01, 2.0)]
    unnamed_share: Annotated[float, within(0.05, 2.0)]
    size_lowest: Annotated[float, within(0.1, 5.0)]
    size_highest: Annotated[float, within(5.0, 100.0)]
    other_cause: Annotated[float, within(0.001, 0.5)]


def _ways(channels: int, told: Any) -> tuple[_Way, ...]:
    words = told if isinstance(told, list) else [told] * channels
    if len(words) != channels:
        raise Wrong(f"is not one word or {channels}")
    for word in words:
        if word not in list(_WAYS):
            raise Wrong(f"is {word!r}, not up, down, slightly up, most up and so on, level")
    return tuple(_WAYS[word] for word in words)


_Size = Annotated[float, within(0.05, 5.0)]
_Three = Annotated[tuple[_Way, ...], read(partial(_ways, 3))]


@dataclass(frozen=True)
class Fault(Closed):
    """One fault: how each quantity's channels move, how strongly and to which side.

    `tell` says what parts it from others, `remedy` what to do, an imperative without a full stop.
    """

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

    @property
    def ways(self) -> tuple[_Way, ...]:
        """Return how the channels of QUANTITIES move, one after the other."""
        return tuple(way for name in QUANTITIES for way in getattr(self, name))


def _moving(fault: Fault) -> Fault:
    if not any(abs(sign) > 0.0 for _, sign in fault.ways):
        raise Wrong("moves nothing")
    return fault


def _some(faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
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
    """All faults, how strong their ways are, and how far real deviations stray from them."""

    source: Text
    strength: _Strength
    stray: Stray
    fault: Annotated[tuple[Annotated[Fault, then(_moving)], ...], then(_some)]

    def direction(self, fault: Fault) -> Float64:
        """Return a fault's direction (15,): above zero is up, 1 plainly so, NaN not named."""
        strengths = vars(self.strength)
        return np.array([strengths[strength] * sign for strength, sign in fault.ways])


@cache
def fault_table() -> FaultTable:
    """Return the faults that come with evenroll."""
    return read_profile(FaultTable, profiles_folder() / "process_faults.toml", "process profile")
