"""Pictures that a holder parts, each in a window of its own, where no gap is in view."""

import math

import numpy as np

from pipeline.channels import least
from pipeline.frame import FoundFrames, Frame, usual_habit
from pipeline.kinds import Light, Mask, Row, Span
from pipeline.profile import FrameFormat, formats_on, frame_formats
from pipeline.strip import Strip, measure_limits

# Of a line across a window so much is open, at the median of such lines, and less of a bar.
_OPEN_OF_USUAL = 0.5
# No camera's picture is shorter than this, as a share of its height.
_LEAST_LENGTH = 0.3
# The gate's own edges are out of view.
_CONFIDENCE = 0.6


def windows(above: Light) -> list[Span]:
    """Return the columns (first, one past the last) of each window in a view's density (h, w, 3).

    Bars of a holder, opaque from edge to edge, lie between them.
    """
    return _runs(_open(above))


def _open(above: Light) -> Mask:
    shown: Mask = least(above) < float(measure_limits("film")["opaque"])
    return shown


def _runs(shown: Mask) -> list[Span]:
    inside = _lit(shown.mean(axis=0))
    ends = np.flatnonzero(np.diff(inside.astype(np.int8), prepend=0, append=0))
    spans = [(int(first), int(end)) for first, end in ends.reshape(-1, 2)]
    least_px = _LEAST_LENGTH * int(_lit(shown.mean(axis=1)).sum())
    return [(first, end) for first, end in spans if end - first >= least_px]


def _lit(share: Row) -> Mask:
    """Return which lines (n) of a view a window lies in, by the share of each that is open."""
    some = share[share > 0.0]
    usual = float(np.median(some)) if some.size else 1.0
    lit: Mask = share > _OPEN_OF_USUAL * usual
    return lit


def window_frames(above: Light, strip: Strip, chosen: str | None) -> FoundFrames:
    """Return the frames of a strip that shows no base: what its windows show of them.

    Parameters
    ----------
    above
        Density above base (h, w, 3) of the strip's view.
    chosen
        Name of the format as the user gives it, None to tell it by the windows' shape.
    """
    shown, blank = _open(above), float(measure_limits("film")["blank"])
    frames = []
    for first, end in _runs(shown):
        rows = np.flatnonzero(_lit(shown[:, first:end].mean(axis=1)))
        top, bottom = int(rows[0]), int(rows[-1]) + 1
        lightest = above[top:bottom, first:end].mean(axis=2)
        kind = "blank" if float(np.percentile(lightest, 99)) < blank else "picture"
        frames.append(Frame(first - 0.5, end - 0.5, top - 0.5, bottom - 0.5, kind, _CONFIDENCE))
    form = frame_formats()[chosen] if chosen else _likeliest(frames, strip)
    return FoundFrames(form, tuple(frames), usual_habit(form), 0.0)


def _likeliest(frames: list[Frame], strip: Strip) -> FrameFormat:
    """Return the format whose shape is most like that of the windows."""
    forms = formats_on(strip.film.name)
    shapes = [(f.end - f.start) / (f.bottom - f.top) for f in frames]
    if not shapes:
        return forms[0]
    shape = math.log(float(np.median(shapes)))

    def off(form: FrameFormat) -> float:
        return abs(math.log(form.image_along_mm / form.film.image_across_mm) - shape)

    return min(forms, key=off)
