"""Reference frames: what the user says of a chart or grey card on the roll, checked."""

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from pipeline.problem import SettingsProblem

Point = tuple[float, float]
Area = tuple[float, float, float, float]

NO_REFERENCE = "none"
_NUMBER = re.compile(r"(X|[0-9]{1,3})(A?)([A-Z]?|-[0-9]{1,4})", re.IGNORECASE | re.ASCII)
_LEAST_SIDE = 0.02


@dataclass(frozen=True)
class ReferenceFrame:
    """A frame that shows what is neutral: a 24-patch chart or a grey card.

    `frame` is its number as on the contact sheet; `chart` tells whether it is a chart, None
    where the picture is to tell. `corners` are the outer corners of the chart's corner patches,
    one after the other around it; `grey` is left, top, right and bottom of the area that is
    grey. Both are shares of the picture's width and height from its top left corner.
    """

    frame: str
    chart: bool | None = None
    corners: tuple[Point, Point, Point, Point] | None = None
    grey: Area | None = None


_KEYS = tuple(item.name for item in fields(ReferenceFrame))


def read_references(value: Any, where: Path | None = None) -> tuple[ReferenceFrame, ...]:
    """Return the reference frames that a setting names; none for "none".

    Parameters
    ----------
    value
        A frame number, a table as `ReferenceFrame` has it, or a list of such.
    where
        The file that says so.

    Raises
    ------
    SettingsProblem
        If it makes no sense.
    """
    parts = list(value) if isinstance(value, (list, tuple)) else [value]
    if any(_is_none(part) for part in parts):
        if len(parts) > 1:
            raise _refuse(where, "'none' excludes frames", "give frame numbers, or 'none' alone")
        return ()
    if not parts:
        raise _refuse(where, "no frame is named", f'write "07", or "{NO_REFERENCE}"')
    frames = [part if isinstance(part, ReferenceFrame) else _read(part, where) for part in parts]
    if len({frame.frame for frame in frames}) < len(frames):
        raise _refuse(where, "a frame is named twice", "name each frame once")
    return tuple(frames)


def _is_none(value: Any) -> bool:
    return isinstance(value, str) and value.strip().lower() == NO_REFERENCE


def _refuse(
    where: Path | None, what: str, remedy: str, setting: str = "reference"
) -> SettingsProblem:
    return SettingsProblem(where, f"'{setting}': {what}", remedy)


def _read(value: Any, where: Path | None) -> ReferenceFrame:
    if not isinstance(value, Mapping):
        return ReferenceFrame(frame_name(value, where))
    for key in value:
        if key not in _KEYS:
            near = difflib.get_close_matches(str(key).lower(), _KEYS, 1, 0.6)
            remedy = f"write '{near[0]}'" if near else f"the keys are {', '.join(_KEYS)}"
            raise _refuse(where, f"key '{key}' is not known", remedy)
    if "frame" not in value:
        raise _refuse(where, "'frame' is missing", 'write it as in frame = "07"')
    chart = value.get("chart")
    if chart is not None and not isinstance(chart, bool):
        raise _refuse(where, f"'chart' is {chart!r}", "write true or false")
    corners, grey = (
        picture_corners(value.get("corners"), where),
        picture_area(value.get("grey"), where),
    )
    if corners is not None and (grey is not None or chart is False):
        raise _refuse(where, "corners are those of a chart", "leave out what says it is none")
    if grey is not None and chart:
        raise _refuse(where, "a grey area is that of a grey card", "leave out chart = true")
    is_chart = chart if chart is not None else True if corners else False if grey else None
    return ReferenceFrame(frame_name(value["frame"], where), is_chart, corners, grey)


def frame_name(value: Any, where: Path | None, setting: str = "reference") -> str:
    """Return a frame's number as the contact sheet has it, or refuse what is none."""
    text = "" if isinstance(value, bool) else str(value).strip()
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise _refuse(
            where,
            f"{value!r} is no frame number",
            "give it as on the contact sheet, as in '07'",
            setting,
        )
    digits, half, rest = match.group(1).upper(), match.group(2).upper(), match.group(3).lower()
    return (digits if digits == "X" else digits.zfill(2)) + half + rest


def _share(value: Any, where: Path | None, setting: str) -> float:
    known = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not known or not math.isfinite(value) or not 0.0 <= value <= 1.0:
        what = f"{value!r} is no share of the picture"
        raise _refuse(where, what, "give numbers from 0 to 1", setting)
    return float(value)


def picture_corners(
    value: Any, where: Path | None, setting: str = "reference"
) -> tuple[Point, Point, Point, Point] | None:
    """Return four points, shares of the picture, around a quadrilateral, or refuse others."""
    if value is None:
        return None
    remedy = "give four pairs [x, y] around it"
    if not isinstance(value, list) or len(value) != 4:
        raise _refuse(where, "'corners' are not four points", remedy, setting)
    points: list[Point] = []
    for point in value:
        if not isinstance(point, list) or len(point) != 2:
            raise _refuse(where, "'corners' has a point that is no pair", remedy, setting)
        points.append((_share(point[0], where, setting), _share(point[1], where, setting)))
    outline = np.array(points, np.float32)
    if not cv2.isContourConvex(outline) or cv2.contourArea(outline) < _LEAST_SIDE**2:
        raise _refuse(where, "'corners' enclose no quadrilateral", remedy, setting)
    return (points[0], points[1], points[2], points[3])


def picture_area(value: Any, where: Path | None, setting: str = "reference") -> Area | None:
    """Return left, top, right and bottom as shares of the picture, or refuse others."""
    if value is None:
        return None
    remedy = "give left, top, right and bottom as shares of the picture, as in [0.4, 0.4, 0.6, 0.6]"
    if not isinstance(value, list) or len(value) != 4:
        raise _refuse(where, "'grey' is not four numbers", remedy, setting)
    left, top, right, bottom = (_share(part, where, setting) for part in value)
    if right - left < _LEAST_SIDE or bottom - top < _LEAST_SIDE:
        raise _refuse(where, "'grey' encloses no area", remedy, setting)
    return (left, top, right, bottom)
