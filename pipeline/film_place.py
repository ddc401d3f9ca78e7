"""Where strips and their frames lie along the film, as the codes on its edge tell."""

import math

import numpy as np

from pipeline.edge_code import load_edge_format
from pipeline.edge_numbers import position_at
from pipeline.kinds import Float64
from pipeline.strip_survey import StripSurvey
from pipeline.units import MM_PER_INCH


def film_code(strip: StripSurvey) -> str | None:
    """Return the film's code on a strip's edge, such as 115-10, or None where none was read."""
    return None if strip.edge is None else strip.edge.film_code


def length_frames(strip: StripSurvey) -> float:
    """Return how long a strip is, in frames of eight perforations."""
    layout = load_edge_format()
    return _length_mm(strip) / (layout.pitch_mm * layout.codes_per_frame)


def film_span(strip: StripSurvey) -> tuple[float, float] | None:
    """Return the places of a strip's two ends along the film, in frames, the smaller first.

    None where no numbers were read.
    """
    if strip.edge is None or not strip.edge.numbered:
        return None
    ends = (0.0, _length_mm(strip) * strip.edge.px_per_mm)
    first, last = sorted(position_at(strip.edge, end) or 0.0 for end in ends)
    return first, last


def frame_places(strip: StripSurvey) -> Float64 | None:
    """Return the places of a strip's frames along the film, (n,) frames, or None."""
    if strip.edge is None or not strip.edge.numbered:
        return None
    return np.array([position_at(strip.edge, x) for x in strip.centres_px], dtype=np.float64)


def _length_mm(strip: StripSurvey) -> float:
    (x0, y0), (x1, y1) = strip.outline[0], strip.outline[1]
    return math.hypot(x1 - x0, y1 - y0) / (strip.ppi / MM_PER_INCH)
