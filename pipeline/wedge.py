"""Step wedge and bracketed grey card: what the user says of them in roll.toml, checked."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pipeline.check import Closed, Wrong, made, telling, within
from pipeline.reference_frame import FourPoints, FrameName, PictureArea, PictureCorners
from pipeline.units import LOG_STOP

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

    Raises
    ------
    SettingsProblem
        If it makes no sense.
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

    Raises
    ------
    SettingsProblem
        If it makes no sense.
    """
    told = made(Bracket, value, where, ("bracket",))
    frames, stops = told.frames, told.stops
    with telling(where, ("bracket",)):
        if len(frames) != len(stops):
            what = f"it has {len(frames)} frames and {len(stops)} stops"
            raise Wrong(what, "give one value of stops for each frame")
        if len(set(frames)) < len(frames):
            raise Wrong("a frame is named twice", "name each frame once")
        if len(set(stops)) < _LEAST_BRACKET or max(stops) - min(stops) < _LEAST_RANGE_STOPS:
            what = "its exposures are too few or too close together for a curve"
            remedy = f"give {_LEAST_BRACKET} or more over {_LEAST_RANGE_STOPS:g} stops or more"
            raise Wrong(what, remedy)
    return told
