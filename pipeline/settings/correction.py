"""Corrections of frames: what the user writes under [[frames]] in roll.toml, checked."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pipeline.check import Closed, Flag, Wrong, made, one_of, read, spelt, telling, within
from pipeline.kinds import KINDS, Triple
from pipeline.problem import SettingsProblem
from pipeline.settings.reference import FrameName, frame_name
from pipeline.turn import Turn

# A frame of 135 film is 36 mm long: what lies farther off is another frame.
_COUNTED = "a number counted from 1, as on the contact sheet"
_Mm = Annotated[float, within(-40.0, 40.0)]
# From as flat as the scene's light to harder than any paper (common practice, no source).
Contrast = Annotated[float, within(0.5, 4.0)]
BlackPoint = Annotated[Triple, within(0.0, 0.95, shared=True)]
WhitePoint = Annotated[Triple, within(0.05, 4.0, shared=True)]
MOVES = ("left_mm", "right_mm", "top_mm", "bottom_mm", "move_mm", "turn_deg")
_TONES = ("contrast", "black", "white")
COLOURS = ("exposure", "balance", "colour_temperature_k", "duv", "neutral", *_TONES)
_WRITTEN = ("turn", "mirror")
_OF_FOUND = (
    *("number", *MOVES, "kind", "drop", "merge_with", "renumber", "onward"),
    *(*COLOURS, *_WRITTEN),
)
_OF_ADDED = (
    *("add", "after", "before", "gap_mm", "scan", "strip", "at_mm", *MOVES, "kind"),
    *(*COLOURS, *_WRITTEN),
)


def _true(value: Any) -> bool:
    if value is not True:
        raise Wrong(f"{value!r} is not true", "write true, or leave it out")
    return True


def _names(value: Any) -> tuple[str, ...]:
    parts = value if isinstance(value, (list, tuple)) else (value,)
    return tuple(dict.fromkeys(frame_name(part) for part in parts))


def _true_or_name(value: Any) -> bool | str:
    return True if value is True else frame_name(value)


@dataclass(frozen=True)
class FrameCorrection(Closed):
    """One entry of [[frames]]: a frame that was found, or one to add, and what is to be done.

    Numbers are those that frames have without any correction, so that an entry means the same
    frame in every run. Moves of edges and of the whole frame are in mm, to the right and down
    in the picture as it is written without `turn` and `mirror`; `turn_deg` turns the frame's edges
    clockwise there.
    `exposure` is in stops, `balance` in log10 exposure of red, green and blue, both on top of the
    roll's. `colour_temperature_k` and `duv` (signed distance from the Planckian locus in CIE 1960
    u, v; above 0 greenish) tell the light of the scene; `neutral` is a place in the picture,
    shares of its width and height from its top left, without `turn` and `mirror`, where it becomes
    neutral. `contrast`, `black` and `white` take the place of the roll's. `turn` (degrees
    clockwise, by quarters) and `mirror` are for this frame what the settings of that name are for
    the roll, None as there. `entry` counts the entries from 1.
    """

    given: ClassVar = ("entry",)
    renamed: ClassVar = {
        "temperature_k": "write 'colour_temperature_k'",
        "tint": "write 'duv', a thousandth of it: 0.01 for 10",
    }

    entry: int
    number: FrameName | None = None
    left_mm: _Mm = 0.0
    right_mm: _Mm = 0.0
    top_mm: _Mm = 0.0
    bottom_mm: _Mm = 0.0
    move_mm: _Mm = 0.0
    turn_deg: Annotated[float, within(-15.0, 15.0)] = 0.0
    kind: Annotated[str, one_of(KINDS)] | None = None
    drop: Annotated[bool, read(_true)] = False
    merge_with: Annotated[tuple[str, ...], read(_names)] = ()
    renumber: FrameName | None = None
    onward: Annotated[bool, read(_true)] = False
    add: Annotated[bool | str, read(_true_or_name)] = False
    after: FrameName | None = None
    before: FrameName | None = None
    gap_mm: _Mm | None = None
    scan: Annotated[str, spelt(r"\S", "the file's name")] | None = None
    strip: Annotated[int, within(1, words=_COUNTED)] | None = None
    # A strip may be a whole roll, about 1.6 m of film.
    at_mm: Annotated[float, within(0.0, 2000.0)] | None = None
    exposure: Annotated[float, within(-10.0, 10.0)] = 0.0
    balance: Annotated[Triple, within(-3.0, 3.0)] | None = None
    # Candle light to the bluest sky. Lights farther from the Planckian locus than 0.03 are coloured
    # (CIE 15:2018, 9.5, gives a correlated temperature a meaning up to 0.05).
    colour_temperature_k: Annotated[float, within(2000.0, 25000.0)] | None = None
    duv: Annotated[float, within(-0.03, 0.03)] | None = None
    neutral: Annotated[tuple[float, float], within(0.0, 1.0)] | None = None
    contrast: Contrast | None = None
    black: BlackPoint | None = None
    white: WhitePoint | None = None
    turn: Annotated[int, within(0, 270), read(Turn.read_deg)] | None = None
    mirror: Flag | None = None

    @property
    def name(self) -> str:
        """Return what the entry is called in a message."""
        if self.number is not None:
            return f"frame {self.number}"
        return f"frame to add (entry {self.entry} of [[frames]])"

    @property
    def key(self) -> str:
        """Return the key over the roll of the frame that the entry is for."""
        return f"+{self.entry}" if self.number is None else self.number

    @property
    def moves(self) -> bool:
        """Tell whether the entry moves an edge."""
        return any(getattr(self, name) for name in MOVES)

    @property
    def colours(self) -> bool:
        """Tell whether the entry changes exposure or colour."""
        return bool(self.exposure) or any(getattr(self, name) is not None for name in COLOURS[1:])


def refuse_levels(black: Triple | None, white: Triple | None) -> None:
    """Raise Wrong where a white point does not lie above its black point, in display values."""
    pairs = zip(black or (0.0,) * 3, white or (1.0,) * 3, strict=True)
    if any(light <= dark for dark, light in pairs):
        remedy = "give white points greater than the black points"
        raise Wrong("the white point is not above the black point", remedy)


def _refuse_contradiction(told: Mapping[str, Any]) -> None:
    """Raise where the keys of one entry don't go together."""
    adds = "add" in told
    if not adds and "number" not in told:
        raise Wrong("names no frame", 'write number = "07", or add = true for a new frame')
    strange = [key for key in told if key not in (_OF_ADDED if adds else _OF_FOUND)]
    if strange:
        whose = "a frame to add has no" if adds else "only a frame to add has"
        remedy = 'give its number as add = "07"' if strange == ["number"] else "leave it out"
        raise Wrong(f"{whose} '{strange[0]}'", remedy)
    of_light = [key for key in ("balance", "colour_temperature_k", "duv") if key in told]
    if "neutral" in told and of_light:
        raise Wrong(f"'neutral' and '{of_light[0]}' contradict", "leave one of them out")
    refuse_levels(told.get("black"), told.get("white"))
    if adds:
        _refuse_no_place(told)
    elif len(told) == 1:
        raise Wrong(f"tells nothing about frame {told['number']}", "add what is to be done")
    elif "drop" in told and len(told) > 2:
        other = next(key for key in told if key not in ("drop", "number"))
        raise Wrong(f"'drop' and '{other}' contradict", "leave one of them out")
    elif "onward" in told and "renumber" not in told:
        raise Wrong("'onward' tells no number", "write renumber beside it")
    elif "merge_with" in told and not told["merge_with"]:
        raise Wrong("'merge_with' names no other frame", "name one")
    elif told["number"] in told.get("merge_with", ()):
        raise Wrong("merges a frame with itself", "name the other frame")


def _refuse_no_place(told: Mapping[str, Any]) -> None:
    places = [key for key in ("after", "before", "at_mm") if key in told]
    if len(places) != 1:
        what = f"has places {' and '.join(places)}" if places else "has no place to add a frame"
        raise Wrong(what, "write one of after, before, or at_mm with scan or strip")
    on_strip = "scan" in told or "strip" in told
    if (places[0] == "at_mm") != on_strip:
        remedy = "write at_mm with scan or strip, else after or before"
        raise Wrong("'at_mm' and the strip go together", remedy)
    if "gap_mm" in told and places[0] == "at_mm":
        raise Wrong("'gap_mm' and 'at_mm' contradict", "leave one of them out")


def read_corrections(value: Any, where: Path | None = None) -> tuple[FrameCorrection, ...]:
    """Return the entries of [[frames]] checked, as far as they can be without the roll.

    Raises SettingsProblem if one makes no sense; the message tells which, by its place in the file.
    """
    if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
        raise SettingsProblem(
            where, "'frames' is no list of tables", "write each under a heading [[frames]]"
        )
    entries: list[FrameCorrection] = []
    seen: set[str] = set()
    for place, table in enumerate(value):
        at = ("frames", place)
        told = made(FrameCorrection, {**table, "entry": place + 1}, where, at)
        with telling(where, at):
            _refuse_contradiction({key: getattr(told, key) for key in table})
            for number in filter(None, (told.number, *told.merge_with)):
                if number in seen:
                    remedy = "tell all of a frame in one entry"
                    raise Wrong(f"frame {number} has an entry already", remedy)
                seen.add(number)
        entries.append(told)
    return tuple(entries)
