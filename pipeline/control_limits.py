"""Limits of process control, from profiles/process_control.toml."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pipeline.film import profiles_folder
from pipeline.profile_reader import ProfileReader

Triple = tuple[float, float, float]
QUANTITIES = ("d_min", "ld", "contrast", "retained")
TITLES = {
    "d_min": "D-min",
    "ld": "LD",
    "contrast": "HD - LD",
    "retained": "D-max - yellow, blue",
    "colour_spread": "colour spread of HD - LD",
}


@dataclass(frozen=True)
class Limit:
    """Largest deviations from the aim, in density; `both_ways` is false where only up counts."""

    action: float
    control: float
    both_ways: bool

    def over(self, deviation: float) -> float:
        """Return what counts of a deviation: its amount, or zero for the way that is no fault."""
        return abs(deviation) if self.both_ways else max(deviation, 0.0)


@dataclass(frozen=True)
class TrendLimits:
    """Strips in a row that are a signal, and what two readings may differ by chance."""

    run_strips: int
    steady_strips: int
    repeatability_density: float


@dataclass(frozen=True)
class ReadingLimits:
    """What readings are taken for slips, in density."""

    highest_density: float
    same_patch_density: float
    no_image_density: float


@dataclass(frozen=True)
class SpotLimits:
    """Readings of ordinary film, in density; shares are of the aim's."""

    base_lowest: Triple
    base_highest: Triple
    base_over: float
    grey_card_red: tuple[float, float]
    density_a_stop: float
    edge_print_none: float
    edge_print_weak: float
    edge_print_strong: float
    edge_share_weak: float
    edge_share_strong: float
    picture_none: float
    picture_thin: float
    picture_dense: float


@dataclass(frozen=True)
class ControlLimits:
    """All limits; `of` has the four quantities, `colour_spread` a control limit only."""

    source: str
    of: dict[str, Limit]
    colour_spread: float
    trend: TrendLimits
    reading: ReadingLimits
    spots: SpotLimits


@cache
def control_limits() -> ControlLimits:
    """Return the limits that come with evenroll; their sources are named in the file."""
    return read_limits(profiles_folder() / "process_control.toml")


def read_limits(path: Path) -> ControlLimits:
    """Return the limits of a TOML file.

    Raises
    ------
    SettingsProblem
        If it can't be read, or a value is missing or makes no sense.
    """
    reader = ProfileReader(path, "process profile")
    return ControlLimits(
        source=reader.text("source"),
        of={name: _limit(reader, f"limits.{name}") for name in QUANTITIES},
        colour_spread=reader.number("colour_spread.control", 0.01, 1.0),
        trend=TrendLimits(
            int(reader.number("trend.run_strips", 3, 50)),
            int(reader.number("trend.steady_strips", 3, 50)),
            reader.number("trend.repeatability_density", 0.0, 0.1),
        ),
        reading=ReadingLimits(
            reader.number("reading.highest_density", 3.0, 10.0),
            reader.number("reading.same_patch_density", 0.01, 0.5),
            reader.number("reading.no_image_density", 0.01, 0.5),
        ),
        spots=_spots(reader),
    )


def _limit(reader: ProfileReader, key: str) -> Limit:
    way = reader.text(f"{key}.way")
    if way not in ("both", "up"):
        raise reader.fail(f"{key}.way", f"is {way!r}, not both or up")
    action = reader.number(f"{key}.action", 0.005, 1.0)
    return Limit(action, reader.number(f"{key}.control", action, 1.0), way == "both")


def _spots(reader: ProfileReader) -> SpotLimits:
    def density(name: str) -> float:
        return reader.number(f"spots.{name}", 0.0, 3.0)

    card = reader.value("spots.grey_card_red")
    if not isinstance(card, list) or len(card) != 2:
        raise reader.fail("spots.grey_card_red", "is not a list of two numbers")
    lowest, highest = (reader.in_range("spots.grey_card_red", value, 0.0, 3.0) for value in card)
    return SpotLimits(
        base_lowest=reader.triple("spots.base_lowest", 0.0, 3.0),
        base_highest=reader.triple("spots.base_highest", 0.0, 3.0),
        grey_card_red=(lowest, highest),
        **{
            name: density(name)
            for name in SpotLimits.__dataclass_fields__
            if name not in ("base_lowest", "base_highest", "grey_card_red")
        },
    )
