"""What of a strip's pictures shows in the infra-red plane, and what is said of it."""

from collections.abc import Sequence

import numpy as np

from pipeline.dust import CrossTalk, cross_talk, infrared_density, tone_exponent
from pipeline.frame import Frame
from pipeline.kinds import Float32
from pipeline.scan import Scan
from pipeline.strip import Strip

_INSET_MM = 0.8
_NOTES = {
    "silver": "its infra-red plane shows the picture itself, as silver does: "
    "dust and scratches stay as they are",
    "misfit": "its infra-red plane doesn't go with the picture: "
    "dust and scratches stay as they are",
}


def strip_cross_talk(
    scan: Scan, plane: Float32 | None, strip: Strip, above: Float32, frames: Sequence[Frame]
) -> CrossTalk | None:
    """Return what of a strip's pictures shows in the infra-red plane, None without plane.

    `plane` (h, w) is the strip's part of it straightened, `above` (h, w, 3) are the strip's
    densities, `frames` its frames in the same pixels.
    """
    if plane is None:
        return None
    density = infrared_density(plane, tone_exponent(scan.encoding))
    inside = np.zeros(plane.shape, bool)
    inset = _INSET_MM * strip.px_per_mm
    for frame in frames:
        if frame.kind == "blank":
            continue
        rows = slice(max(0, round(frame.top + inset)), max(0, round(frame.bottom - inset)))
        columns = slice(max(0, round(frame.start + inset)), max(0, round(frame.end - inset)))
        inside[rows, columns] = True
    return cross_talk(density, above, inside)


def infrared_note(talk: CrossTalk | None) -> str | None:
    """Return what is to be said of an infra-red plane that is of no use, else None."""
    return None if talk is None else _NOTES.get(talk.verdict)
