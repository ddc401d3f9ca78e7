"""Cuts: frames as the user wants them on a strip, and their survey."""

from dataclasses import dataclass, replace

from pipeline.base import FilmBase
from pipeline.frame_survey import FrameSurvey, survey_frame
from pipeline.frames import Frame
from pipeline.kinds import Corners, Float64, Light


@dataclass(frozen=True)
class Cut:
    """One frame of a strip after correction.

    `key` names it over the roll. `found` is the place of the frame that it was among those found
    on the strip, in film order, None for an added one. `outline` (scan pixels, in the order of
    the picture) and `kind` are None where they stay as found.
    """

    key: str
    found: int | None
    outline: Corners | None = None
    kind: str | None = None

    @property
    def is_corrected(self) -> bool:
        """Tell whether anything of the frame itself is no longer as found."""
        return self.outline is not None or self.kind is not None


def survey_cut(
    cut: Cut,
    found: FrameSurvey | None,
    corners: Float64 | None,
    above: Light,
    base: FilmBase,
    px_per_mm: float,
) -> FrameSurvey:
    """Return the survey of a frame as corrected; what the user says of it is certain.

    Parameters
    ----------
    cut
        The frame; without `found` it has an outline.
    found
        The survey of the frame that it was, None for an added one.
    corners
        The cut's outline in the strip's view (4, 2), in the order of the picture; None where
        it stays as found.
    above
        Density above base (h, w, 3) of the strip's view.
    base
        The strip's base.
    px_per_mm
        Scale of the view.
    """
    if found is not None and (cut.outline is None or corners is None):
        if cut.kind is None:
            return replace(found, key=cut.key)
        return replace(found, key=cut.key, kind=cut.kind, confidence=1.0, corrected=True)
    if cut.outline is None or corners is None:
        raise ValueError(f"the frame {cut.key!r} to add has no outline")
    (start, top), (end, bottom) = corners.min(axis=0), corners.max(axis=0)
    kind = cut.kind or (found.kind if found is not None else "picture")
    frame = Frame(float(start), float(end), float(top), float(bottom), kind, 1.0)
    number = None if found is None else found.edge_number
    surveyed = survey_frame(frame, number, corners, cut.outline, above, base, px_per_mm)
    return replace(surveyed, key=cut.key, corrected=True)
