"""Step wedge and bracketed grey card: what the user says of them in roll.toml, checked."""

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from pipeline.problem import SettingsProblem
from pipeline.reference_frame import Area, Point, frame_name, picture_area, picture_corners

LOG_STOP = math.log10(2.0)
_STEPS, _STOPS, _LUX = (4, 64), (-15.0, 15.0), (-8.0, 4.0)
# Usual wedges have steps of 0.05 to 0.30; pictures of a grey scale may have whole stops or two.
_STEP = (0.02, 0.7)
_LEAST_BRACKET, _LEAST_RANGE_STOPS = 4, 2.0


@dataclass(frozen=True)
class Wedge:
    """A step wedge on one frame, photographed or printed on the film by contact.

    `step` is how much log10 exposure one step has less than the one before: the density of a step
    of the wedge. `steps` is their number, None to let the picture tell. `corners` go around all
    the steps together, shares of the picture's width and height from its top left, the first two
    on one long side; None to have them found. `log_exposure` is log10 of the exposure in lx s that
    the most exposed step had, where that is known.
    """

    frame: str
    step: float
    steps: int | None = None
    corners: tuple[Point, Point, Point, Point] | None = None
    log_exposure: float | None = None


@dataclass(frozen=True)
class Bracket:
    """One grey card on several frames, its exposure changed from frame to frame.

    `stops` has one value for each of `frames`, 0 being the normal exposure. `grey` is left, top,
    right and bottom of the card as shares of the picture, None for the middle. `log_exposure` is
    log10 of the exposure in lx s at 0 stops, where that is known.
    """

    frames: tuple[str, ...]
    stops: tuple[float, ...]
    grey: Area | None = None
    log_exposure: float | None = None


def read_wedge(value: Any, where: Path | None = None) -> Wedge:
    """Return the wedge that a table [wedge] tells of.

    `stops = 1` may stand for `step`, in stops.

    Raises
    ------
    SettingsProblem
        If it makes no sense.
    """
    table = _table("wedge", value, ("stops", *(item.name for item in fields(Wedge))), where)
    if "frame" not in table:
        raise _refuse("wedge", where, "'frame' is missing", 'write it as in frame = "03"')
    if ("step" in table) == ("stops" in table):
        remedy = "write step = 0.15, the density of a step of the wedge, or stops = 1, not both"
        raise _refuse("wedge", where, "how far its steps are apart is not said", remedy)
    name = "step" if "step" in table else "stops"
    step = _number("wedge", name, table[name], (0.0, 10.0), where)
    step *= 1.0 if name == "step" else LOG_STOP
    if not _STEP[0] <= step <= _STEP[1]:
        remedy = f"give log10 exposure from {_STEP[0]:g} to {_STEP[1]:g}"
        raise _refuse("wedge", where, f"steps of {step:.2f} are none a wedge has", remedy)
    steps = table.get("steps")
    if steps is not None:
        steps = _number("wedge", "steps", steps, _STEPS, where)
        if steps != int(steps):
            raise _refuse("wedge", where, f"'steps' is {steps:g}", "give a whole number")
    corners = picture_corners(table.get("corners"), where, "wedge")
    if corners is not None and steps is None:
        remedy = "give their number, as in steps = 21"
        raise _refuse("wedge", where, "'corners' need to know how many steps there are", remedy)
    return Wedge(
        frame_name(table["frame"], where, "wedge"),
        step,
        None if steps is None else int(steps),
        corners,
        _log_exposure("wedge", table, where),
    )


def read_bracket(value: Any, where: Path | None = None) -> Bracket:
    """Return the bracketed grey card that a table [bracket] tells of.

    Raises
    ------
    SettingsProblem
        If it makes no sense.
    """
    table = _table("bracket", value, tuple(item.name for item in fields(Bracket)), where)
    for name in ("frames", "stops"):
        if not isinstance(table.get(name), list):
            remedy = 'write frames = ["03", "04", "05", "06", "07"] and stops = [-2, -1, 0, 1, 2]'
            raise _refuse("bracket", where, f"'{name}' is missing or no list", remedy)
    frames = tuple(frame_name(one, where, "bracket") for one in table["frames"])
    stops = tuple(_number("bracket", "stops", one, _STOPS, where) for one in table["stops"])
    if len(frames) != len(stops):
        what = f"it has {len(frames)} frames and {len(stops)} stops"
        raise _refuse("bracket", where, what, "give one value of stops for each frame")
    if len(set(frames)) < len(frames):
        raise _refuse("bracket", where, "a frame is named twice", "name each frame once")
    if len(set(stops)) < _LEAST_BRACKET or max(stops) - min(stops) < _LEAST_RANGE_STOPS:
        what = "its exposures are too few or too close together for a curve"
        remedy = f"give {_LEAST_BRACKET} or more over {_LEAST_RANGE_STOPS:g} stops or more"
        raise _refuse("bracket", where, what, remedy)
    area = picture_area(table.get("grey"), where, "bracket")
    return Bracket(frames, stops, area, _log_exposure("bracket", table, where))


def _table(
    setting: str, value: Any, keys: tuple[str, ...], where: Path | None
) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise _refuse(setting, where, "it is no table", f"write it under a heading [{setting}]")
    for key in value:
        if key not in keys:
            near = difflib.get_close_matches(str(key).lower(), keys, 1, 0.6)
            remedy = f"write '{near[0]}'" if near else f"the keys are {', '.join(keys)}"
            raise _refuse(setting, where, f"key '{key}' is not known", remedy)
    return value


def _refuse(setting: str, where: Path | None, what: str, remedy: str) -> SettingsProblem:
    return SettingsProblem(where, f"'{setting}': {what}", remedy)


def _number(
    setting: str, name: str, value: Any, limits: tuple[float, float], where: Path | None
) -> float:
    known = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not known or not limits[0] <= value <= limits[1]:
        remedy = f"give a number from {limits[0]:g} to {limits[1]:g}"
        raise _refuse(setting, where, f"'{name}' is {value!r}", remedy)
    return float(value)


def _log_exposure(setting: str, table: Mapping[str, Any], where: Path | None) -> float | None:
    value = table.get("log_exposure")
    return None if value is None else _number(setting, "log_exposure", value, _LUX, where)
