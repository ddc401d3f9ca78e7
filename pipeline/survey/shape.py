"""What format one picture is of, by its shape, and its scale."""

import math
from collections.abc import Sequence

import numpy as np

from pipeline.frame import TOLERANCE_MM
from pipeline.kinds import MM_PER_INCH
from pipeline.profile import FrameFormat, formats_on
from pipeline.scan import Scan
from pipeline.strip import SeenPicture

_SAME_SCALE = 0.05
# A picture's shape strays so far from its gate's (natural logarithm of the ratio of its sides),
# as it is cropped and its sides are placed; farther off it is of no format known.
_SHAPE_SPREAD, _MOST_OFF = 0.02, 0.1


def shape_costs(seen: SeenPicture, films: Sequence[str]) -> dict[str, float]:
    """Return how unlikely each format on some kinds of film is by a picture's shape.

    That is minus the natural logarithm of its likelihood.
    """
    across, along = _sides(seen)
    return {form.name: _cost(along / across, form) for film in films for form in formats_on(film)}


def scale_of(seen: SeenPicture, scan: Scan, factor: int, form: FrameFormat) -> tuple[float, str]:
    """Return pixels of the view per mm, and where they are from.

    Parameters
    ----------
    seen, scan, factor
        The picture in its view, of which a pixel is `factor` of the scan's.
    form
        The picture's format.
    """
    px_per_mm = _sides(seen)[0] / min(form.film.image_across_mm, form.image_along_mm)
    given = None if scan.ppi is None else scan.ppi / MM_PER_INCH / factor
    if given is not None and scan.ppi_from == "option":
        return given, "option"
    if given is not None and abs(given / px_per_mm - 1) < _SAME_SCALE:
        return given, "tag"
    return px_per_mm, "guess"


def sides_agree(seen: SeenPicture, px_per_mm: float) -> bool:
    """Tell whether the sides of a picture may be those of one flat gate, to a frame's tolerance.

    However film is turned, and seen aslant by a little, two opposite sides turn by as much together
    as the other two: a side that edge print or a dark scene beside it draws away does not.
    """
    corners = np.asarray(seen.corners, float)
    ways = np.roll(corners, -1, axis=0) - corners
    # Each as if it were the first side.
    turns = np.angle([complex(*way) * (-1j) ** k for k, way in enumerate(ways)])
    twist = abs(turns[0] - turns[1] + turns[2] - turns[3])
    # The end of a side that is drawn away at the other lies off by so much.
    return bool(twist * _sides(seen)[1] < TOLERANCE_MM * px_per_mm)


def _sides(seen: SeenPicture) -> tuple[float, float]:
    """Return the lengths of a picture's sides in pixels, the shorter first."""
    corners = np.asarray(seen.corners)
    one, two = (float(np.hypot(*(corners[k] - corners[0]))) for k in (1, 3))
    return min(one, two), max(one, two)


def _cost(aspect: float, form: FrameFormat) -> float:
    off = min(_off(aspect, form), _MOST_OFF) / _SHAPE_SPREAD
    return 0.5 * off * off + form.seldom + form.film.seldom


def _off(aspect: float, form: FrameFormat) -> float:
    """Return how far a ratio of sides lies off those of a format's gates, either side first."""
    low, high = (math.log(gate / form.film.image_across_mm) for gate in form.gates_mm)
    shape = math.log(aspect)
    return min(max(low - each, each - high, 0.0) for each in (shape, -shape))
