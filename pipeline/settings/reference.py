"""What the user says a frame shows: a chart, a grey card, a step wedge, a bracketed card."""

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

from pipeline.check import Closed, Flag, Wrong, made, read, telling, then, within
from pipeline.kinds import LOG_STOP, Area, Point
from pipeline.words import counted

FourPoints = tuple[Point, Point, Point, Point]

NO_REFERENCE = "none"
_NUMBER = re.compile(r"(X|[0-9]{1,3})(A?)([A-Z]?|-[0-9]{1,4})", re.IGNORECASE | re.ASCII)
_LEAST_SIDE = 0.02
_AT = ("reference",)
_POINTS = "four points [x, y] around it, shares of the picture from 0 to 1"
_SIDES = "left, top, right, bottom, shares of the picture, as in [0.4, 0.4, 0.6, 0.6]"


def frame_name(value: Any) -> str:
    """Return a frame's number as the contact sheet has it: '07', 'X', '23A', '07b', '12-2'.

    Raises Wrong if it is none.
    """
    text = "" if isinstance(value, bool) else str(value).strip()
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise Wrong(f"{value!r} is no frame number", "give it as on the contact sheet, as in '07'")
    digits, half, rest = match.group(1).upper(), match.group(2).upper(), match.group(3).lower()
    return (digits if digits == "X" else digits.zfill(2)) + half + rest


def _around(points: FourPoints) -> FourPoints:
    """Return four points if they go around a quadrilateral in order, without a dent."""
    turns, area = [], 0.0
    for place, (x, y) in enumerate(points):
        (x1, y1), (x2, y2) = points[place - 3], points[place - 2]
        turns.append((x1 - x) * (y2 - y1) - (y1 - y) * (x2 - x1))
        area += (x * y1 - x1 * y) / 2.0
    if min(turns) < 0.0 < max(turns) or abs(area) < _LEAST_SIDE**2:
        raise Wrong("its points enclose no quadrilateral", f"give {_POINTS}")
    return points


def _area(sides: Area) -> Area:
    left, top, right, bottom = sides
    if right - left < _LEAST_SIDE or bottom - top < _LEAST_SIDE:
        raise Wrong("it encloses no area", f"give {_SIDES}")
    return sides


FrameName = Annotated[str, read(frame_name)]
PictureCorners = Annotated[FourPoints, within(0.0, 1.0, words=_POINTS), then(_around)]
PictureArea = Annotated[Area, within(0.0, 1.0, words=_SIDES), then(_area)]


@dataclass(frozen=True)
class ReferenceFrame(Closed):
    """A frame that shows what is neutral: a 24-patch chart or a grey card.

    `frame` is its number as on the contact sheet; `chart` tells whether it is a chart, None
    where the picture is to tell. `corners` are the outer corners of the chart's corner patches,
    one after the other around it; `grey` is left, top, right and bottom of the area that is
    grey. Both are shares of the picture's width and height from its top left corner.
    """

    frame: FrameName
    chart: Flag | None = None
    corners: PictureCorners | None = None
    grey: PictureArea | None = None


def read_references(value: Any, where: Path | None = None) -> tuple[ReferenceFrame, ...]:
    """Return the reference frames that a setting names; none for "none".

    The value is a frame number, a table as `ReferenceFrame` has it, or a list of such.

    Raises SettingsProblem if it makes no sense.
    """
    parts = list(value) if isinstance(value, (list, tuple)) else [value]
    with telling(where, _AT):
        if any(isinstance(part, str) and part.strip().lower() == NO_REFERENCE for part in parts):
            if len(parts) > 1:
                raise Wrong("'none' excludes frames", "give frame numbers, or 'none' alone")
            return ()
        if not parts:
            raise Wrong("no frame is named", f'write "07", or "{NO_REFERENCE}"')
        frames = tuple(_read(part, where) for part in parts)
        if len({frame.frame for frame in frames}) < len(frames):
            raise Wrong("a frame is named twice", "name each frame once")
    return frames


def _read(value: Any, where: Path | None) -> ReferenceFrame:
    if isinstance(value, ReferenceFrame):
        return value
    told = made(ReferenceFrame, value if isinstance(value, dict) else {"frame": value}, where, _AT)
    if told.corners is not None and (told.grey is not None or told.chart is False):
        raise Wrong("corners are those of a chart", "leave out what says it is none")
    if told.grey is not None and told.chart:
        raise Wrong("a grey area is that of a grey card", "leave out chart = true")
    if told.chart is None and (told.corners or told.grey):
        return replace(told, chart=told.corners is not None)
    return told


# Usual wedges have steps of 0.05 to 0.30; pictures of a grey scale may have whole stops or two.
_STEP = (0.02, 0.7)
_LEAST_BRACKET, _LEAST_RANGE_STOPS = 4, 2.0
_Distance = Annotated[float, within(0.0, 10.0)]
_LogLux = Annotated[float, within(-8.0, 4.0)]


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
    corners: FourPoints | None = None
    log_exposure: float | None = None


@dataclass(frozen=True)
class Bracket(Closed):
    """One grey card on several frames, its exposure changed from frame to frame.

    `stops` has one value for each of `frames`, 0 being the normal exposure. `grey` is left, top,
    right and bottom of the card as shares of the picture, None for the middle. `log_exposure` is
    log10 of the exposure in lx s at 0 stops, where that is known.
    """

    frames: tuple[FrameName, ...]
    stops: Annotated[tuple[float, ...], within(-15.0, 15.0)]
    grey: PictureArea | None = None
    log_exposure: _LogLux | None = None


@dataclass(frozen=True)
class _WedgeTable(Closed):
    frame: FrameName
    step: _Distance | None = None
    stops: _Distance | None = None
    steps: Annotated[int, within(4, 64)] | None = None
    corners: PictureCorners | None = None
    log_exposure: _LogLux | None = None


def read_wedge(value: Any, where: Path | None = None) -> Wedge:
    """Return the wedge that a table [wedge] tells of.

    `stops = 1` may stand for `step`, in stops.

    Raises SettingsProblem if it makes no sense.
    """
    table = made(_WedgeTable, value, where, ("wedge",))
    step = table.step if table.stops is None else LOG_STOP * table.stops
    with telling(where, ("wedge",)):
        if step is None or (table.step is not None and table.stops is not None):
            remedy = "write step = 0.15, the density of a step of the wedge, or stops = 1, not both"
            raise Wrong("how far its steps are apart is not said", remedy)
        if not _STEP[0] <= step <= _STEP[1]:
            remedy = f"give log10 exposure from {_STEP[0]:g} to {_STEP[1]:g}"
            raise Wrong(f"steps of {step:.2f} are none a wedge has", remedy)
        if table.corners is not None and table.steps is None:
            remedy = "give their number, as in steps = 21"
            raise Wrong("'corners' need to know how many steps there are", remedy)
    return Wedge(table.frame, step, table.steps, table.corners, table.log_exposure)


def read_bracket(value: Any, where: Path | None = None) -> Bracket:
    """Return the bracketed grey card that a table [bracket] tells of.

    Raises SettingsProblem if it makes no sense.
    """
    told = made(Bracket, value, where, ("bracket",))
    frames, stops = told.frames, told.stops
    with telling(where, ("bracket",)):
        if len(frames) != len(stops):
            what = f"it has {counted(len(frames), 'frame')} and {counted(len(stops), 'stop')}"
            raise Wrong(what, "give one value of stops for each frame")
        if len(set(frames)) < len(frames):
            raise Wrong("a frame is named twice", "name each frame once")
        if len(set(stops)) < _LEAST_BRACKET or max(stops) - min(stops) < _LEAST_RANGE_STOPS:
            what = "its exposures are too few or too close together for a curve"
            remedy = f"give {_LEAST_BRACKET} or more over {_LEAST_RANGE_STOPS:g} stops or more"
            raise Wrong(what, remedy)
    return told
