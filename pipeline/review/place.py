"""Where frames lie on their strips, in mm from the strip's left and upper edge."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import MM_PER_INCH, Corners, Point, Points
from pipeline.outline import size_of, within
from pipeline.roll import RollFrame, SurveyedRoll
from pipeline.survey import StripSurvey


@dataclass(frozen=True)
class Placed:
    """A frame of a roll as it is now: its strip's place on the roll, and itself."""

    strip: int
    frame: RollFrame

    @property
    def key(self) -> str:
        """Return what corrections know the frame by."""
        return str(self.frame.survey.key)


def placed_frames(surveyed: SurveyedRoll) -> Iterator[Placed]:
    """Yield all frames of a roll in film order."""
    for strip, row in enumerate(surveyed.frames):
        for frame in row:
            yield Placed(strip, frame)


def on_strip_mm(strip: StripSurvey, outline: Corners) -> Points:
    """Return the corners (n, 2) of an outline in its scan as mm on the strip."""
    corners = np.asarray(outline, float)
    place: Points = within(np.asarray(strip.outline, float), corners) * MM_PER_INCH / strip.ppi
    return place


def ends_mm(strip: StripSurvey, frame: RollFrame) -> tuple[float, float]:
    """Return where a frame begins and ends along its strip."""
    along = on_strip_mm(strip, frame.survey.outline)[:, 0]
    return float(along[[0, 3]].mean()), float(along[[1, 2]].mean())


def place_on_strip_mm(
    strip: StripSurvey, frame: RollFrame, place: tuple[float, float]
) -> tuple[float, float]:
    """Return where a place in a picture, shares of its width and height, lies on its strip."""
    x, y = on_strip_mm(strip, (_in_scan(frame, place),))[0]
    return float(x), float(y)


def as_found(frame: RollFrame, place: tuple[float, float]) -> tuple[float, float]:
    """Return a place in a picture as shares of it without its turn, as corrections name it."""
    corners = np.asarray(frame.written.outline, float)
    along = within(corners, np.array([_in_scan(frame, place)]))[0] / size_of(corners)
    across, down = np.clip(along, 0.0, 1.0).tolist()
    return across, down


def _in_scan(frame: RollFrame, place: tuple[float, float]) -> Point:
    (x0, y0), (x1, y1), _, (x3, y3) = frame.turn.corners(frame.written.outline)
    across, down = place
    return (
        x0 + across * (x1 - x0) + down * (x3 - x0),
        y0 + across * (y1 - y0) + down * (y3 - y0),
    )


def size_mm(strip: StripSurvey) -> tuple[float, float]:
    """Return length and width of a strip as far as it is seen."""
    along, across = size_of(np.asarray(strip.outline, float)) * MM_PER_INCH / strip.ppi
    return float(along), float(across)
