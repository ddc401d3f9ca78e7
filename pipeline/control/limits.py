"""Limits of process control, from profiles/process_control.toml."""

from dataclasses import dataclass
from functools import cache
from typing import Annotated

from pipeline.check import Text, Wrong, one_of, read_profile, then, within
from pipeline.kinds import Triple
from pipeline.profile import profiles_folder

QUANTITIES = ("d_min", "ld", "contrast", "retained")
TITLES = {
    "d_min": "D-min",
    "ld": "LD",
    "contrast": "HD - LD",
    "retained": "D-max - yellow, blue",
    "colour_spread": "colour spread of HD - LD",
}


_Amount = Annotated[float, within(0.005, 1.0)]
_Density = Annotated[float, within(0.0, 3.0)]
_Strips = Annotated[int, within(3, 50)]


@dataclass(frozen=True)
class Limit:
    """Largest deviations from the aim, in density; `way` is up where only more is a fault."""

    action: _Amount
    control: _Amount
    way: Annotated[str, one_of(("both", "up"))]

    @property
    def both_ways(self) -> bool:
        """Tell whether less is a fault too."""
        return self.way == "both"

    def over(self, deviation: float) -> float:
        """Return what counts of a deviation: its amount, or zero for the way that is no fault."""
        return abs(deviation) if self.both_ways else max(deviation, 0.0)


def _in_order(limit: Limit) -> Limit:
    if limit.control < limit.action:
        told = f"is {limit.control:g}, not a number from {limit.action:g} to 1"
        raise Wrong(told, key="control")
    return limit


_Limit = Annotated[Limit, then(_in_order)]


@dataclass(frozen=True)
class Limits:
    """The limits of each quantity of a control strip."""

    d_min: _Limit
    ld: _Limit
    contrast: _Limit
    retained: _Limit


@dataclass(frozen=True)
class TrendLimits:
    """Strips in a row that are a signal, and what two readings may differ by chance."""

    run_strips: _Strips
    steady_strips: _Strips
    repeatability_density: Annotated[float, within(0.0, 0.1)]


@dataclass(frozen=True)
class ReadingLimits:
    """What readings are taken for slips, in density."""

    highest_density: Annotated[float, within(3.0, 10.0)]
    same_patch_density: Annotated[float, within(0.01, 0.5)]
    no_image_density: Annotated[float, within(0.01, 0.5)]


@dataclass(frozen=True)
class SpotLimits:
    """Readings of ordinary film, in density; shares are of the aim's."""

    base_highest: Annotated[Triple, within(0.0, 3.0)]
    base_over: _Density
    grey_card_red: Annotated[tuple[float, float], within(0.0, 3.0)]
    density_a_stop: _Density
    edge_print_none: _Density
    edge_print_weak: _Density
    edge_print_strong: _Density
    edge_share_weak: _Density
    edge_share_strong: _Density
    picture_none: _Density
    picture_thin: _Density
    picture_dense: _Density


@dataclass(frozen=True)
class ControlLimits:
    """All limits; `colour_spread` is a control limit only."""

    source: Text
    limits: Limits
    colour_spread: Annotated[float, within(0.01, 1.0)]
    trend: TrendLimits
    reading: ReadingLimits
    spots: SpotLimits

    @property
    def of(self) -> dict[str, Limit]:
        """Return the limits by quantity."""
        return vars(self.limits)


@cache
def control_limits() -> ControlLimits:
    """Return the limits that come with evenroll."""
    return read_profile(
        ControlLimits, profiles_folder() / "process_control.toml", "process profile"
    )
