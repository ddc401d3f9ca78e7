"""What of each frame is written: its picture less the rim, and how it is turned."""

from dataclasses import dataclass

import numpy as np

from pipeline.dust import CrossTalk
from pipeline.frame import rim_mm, written_area
from pipeline.kinds import MM_PER_INCH, Area, Corners, Pixels
from pipeline.outline import size_of, within
from pipeline.settings import Roll, Settings
from pipeline.strip import FrameBase
from pipeline.survey import FrameSurvey, StripSurvey
from pipeline.turn import Turn


@dataclass(frozen=True)
class Written:
    """Outline in the scan and base of what is written of a frame, as it lies without a turn.

    `whole` is the outline without the cut that is made unasked: what `roll.json` tells, and what is
    cut out as a negative.
    """

    outline: Corners
    base: FrameBase
    whole: Corners


def written(frame: FrameSurvey, strip: StripSurvey, settings: Settings) -> Written:
    """Return what is written of a frame of a strip.

    Where the user names neither inset nor border, what of the rim is not all picture is left out.
    """
    unasked = settings.inset_mm is None and not settings.border_mm
    asked = _area(frame, strip, (settings.inset_mm or 0.0,) * 4, settings.border_mm)
    if not unasked:
        return Written(*asked, asked[0])
    width, height = size_of(np.asarray(frame.outline)) / strip.ppi * MM_PER_INCH
    rim = rim_mm(np.asarray(frame.thumbnail), (width, height))
    return Written(*_area(frame, strip, rim, 0.0), asked[0])


def _area(
    frame: FrameSurvey, strip: StripSurvey, inset_mm: Area, border_mm: float
) -> tuple[Corners, FrameBase]:
    return written_area(
        frame.outline,
        frame.base,
        inset_mm=inset_mm,
        border_mm=border_mm,
        ppi=strip.ppi,
        width=strip.scan.width,
        height=strip.scan.height,
    )


def dust_to_mend(strip: StripSurvey, settings: Settings) -> CrossTalk | None:
    """Return what tells dust in a strip's infra-red plane; None where none is to be mended."""
    talk = strip.cross_talk
    mends = settings.dust == "on" and talk is not None and talk.verdict == "dust"
    return talk if mends else None


def as_written(small: Pixels, found: Corners, outline: Corners, turn: Turn) -> Pixels:
    """Return a small picture (h, w, ...) of a frame as found, cut and turned as it is written."""
    at, size = np.asarray(found, float), np.array(small.shape[1::-1])
    inside = within(at, np.asarray(outline, float))[[0, 2]] / size_of(at)
    (left, top), (right, lower) = np.clip(np.rint(inside * size).astype(int), 0, size).tolist()
    return turn.picture(small[top:lower, left:right])


def turn_of(frame: FrameSurvey, roll: Roll) -> Turn:
    """Return how a frame is turned: as the user says of it, else of its roll."""
    turn, mirror = roll.settings.turn, roll.settings.mirror
    for entry in roll.notes.frames:
        if entry.key == frame.key:
            turn = turn if entry.turn is None else entry.turn
            mirror = mirror if entry.mirror is None else entry.mirror
    return Turn(turn, mirror)
