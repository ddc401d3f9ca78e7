"""One picture that fills its file: the sides of the camera's gate, where rebate shows beside it."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import greatest, least
from pipeline.kinds import Corners, Float64, Light, Mask
from pipeline.outline import corners_of
from pipeline.strip.density import measure_limits

# Rebate is the film's base within this density; what is lighter is a hole in the film.
_LIKE_BASE, _OPEN = 0.1, -0.15
# Odds of a pixel like base, and of another, to lie outside the picture rather than inside: edge
# print and dust cover a tenth of the rebate at most, shadows like base a third of most pictures.
_LIKE_ODDS, _UNLIKE_ODDS = float(np.log(0.9 / 0.33)), float(np.log(0.1 / 0.67))
# A side lies so deep in the file at the most, and is turned by so much.
_MOST_DEPTH, _MOST_SLOPE, _SLOPES = 0.3, 0.06, 61
# A side counts as seen if so much of what lies beside it is rebate, and so much more than inside.
_MOSTLY, _STEP = 0.75, 0.3
_LEAST_BAND, _BESIDE = 0.006, 0.02
_WORKING_PX = 700


@dataclass(frozen=True)
class SeenPicture:
    """A picture's corners in its view, (4) from the top left clockwise, pixel centres.

    `sides_seen` tells for top, right, bottom and left whether the gate's edge is in view; another
    side lies on the view's border. `outside` (h, w) is where film shows beyond the seen sides.
    """

    corners: Corners
    sides_seen: tuple[bool, bool, bool, bool]
    outside: Mask


@dataclass(frozen=True)
class _Side:
    """A side as a line y = level + slope * (x - middle) in the view turned so that it is on top."""

    level: float
    slope: float
    seen: bool


def find_picture(above: Light, covered: Mask | None = None) -> SeenPicture:
    """Return where the one picture lies in a view.

    Parameters
    ----------
    above
        (h, w, 3) density above the film's base.
    covered
        (h, w) where a mask all around the picture is, None where there is none.

    Notes
    -----
    Each side is the likeliest straight line between a band like base and the rest. What lies
    beyond the band, such as the next picture or a mask, tells nothing.
    """
    height, width = above.shape[:2]
    factor = max(1.0, max(height, width) / _WORKING_PX)
    size = (max(8, round(width / factor)), max(8, round(height / factor)))
    small = np.asarray(cv2.resize(above, size, interpolation=cv2.INTER_AREA), np.float32)
    like, solid = _beside(small)
    (left, top), (right, lower) = _opening(covered, size)
    like, solid = like[top:lower, left:right], solid[top:lower, left:right]
    sides = [_side(np.rot90(like, k), np.rot90(solid, k)) for k in range(4)]
    shape = lower - top, right - left
    lines = [_line(side, k, shape) for k, side in enumerate(sides)]
    found = np.array([_crossing(lines[k], lines[(k + 1) % 4]) for k in (3, 0, 1, 2)])
    found += (left, top)
    scale = np.array([width / size[0], height / size[1]])
    corners = (found + 0.5) * scale - 0.5
    inside = np.zeros(above.shape[:2], np.uint8)
    grown = corners + 0.012 * (corners - corners.mean(axis=0))
    cv2.fillConvexPoly(inside, np.rint(grown).astype(np.int32), 1)
    seen = (sides[0].seen, sides[1].seen, sides[2].seen, sides[3].seen)
    return SeenPicture(corners_of(corners), seen, inside == 0)


def _opening(covered: Mask | None, size: tuple[int, int]) -> NDArray[np.intp]:
    """Return the first column and row that a mask leaves open, and those after the last.

    Of several openings it is the widest; through others, the next pictures show.
    """
    if covered is None:
        return np.array([(0, 0), size])
    open_share = 1.0 - cv2.resize(covered.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    ends = []
    for share in (open_share.mean(axis=0), open_share.mean(axis=1)):
        opens = np.diff(np.concatenate([[0], share > 0.5 * share.max(), [0]]).astype(int))
        first, after = np.flatnonzero(opens > 0), np.flatnonzero(opens < 0)
        widest = int(np.argmax(after - first))
        ends.append((first[widest], after[widest]))
    return np.array(ends).T


def _beside(above: Light) -> tuple[Mask, Mask]:
    """Return where a view is like rebate, holes in it counted, and where a mask covers it."""
    light = above.mean(axis=2) < _OPEN
    like: Mask = (greatest(np.abs(above)) < _LIKE_BASE) | light
    return like, least(above) > float(measure_limits("film")["opaque"])


def _side(like: Mask, solid: Mask) -> _Side:
    """Return the upper side of the picture in a view."""
    rows = max(4, round(_MOST_DEPTH * like.shape[0]))
    trim = round(0.1 * like.shape[1])
    part, mask = (each[:rows, trim : like.shape[1] - trim] for each in (like, solid))
    odds = np.where(part | mask, _LIKE_ODDS, _UNLIKE_ODDS)
    summed = np.concatenate([np.zeros((1, part.shape[1])), np.cumsum(odds, axis=0)])
    middle = (like.shape[1] - 1) / 2
    x = np.arange(part.shape[1]) + trim - middle
    at = np.arange(rows + 1)[:, None]
    best, found = 0.0, _Side(-0.5, 0.0, False)
    columns = np.arange(part.shape[1])[None, :]
    for slope in np.linspace(-_MOST_SLOPE, _MOST_SLOPE, _SLOPES):
        places = np.clip(at + np.rint(slope * x)[None, :].astype(int), 0, rows)
        gain = summed[places, columns].mean(axis=1)
        band = gain - np.minimum.accumulate(gain)
        level = int(np.argmax(band))
        if band[level] > best:
            best = float(band[level])
            start = int(np.argmin(gain[: level + 1]))
            seen = _is_side(part | mask, (start, level), np.rint(slope * x).astype(int))
            found = _Side(level - 0.5, float(slope), seen)
    return found if found.seen else _Side(-0.5, 0.0, False)


def _is_side(like: Mask, band: tuple[int, int], shift: np.ndarray) -> bool:
    """Tell whether a band is nearly all like rebate and the picture beside it is much less so."""
    start, level = band
    height = like.shape[0] / _MOST_DEPTH
    if level - start < max(1.0, _LEAST_BAND * height):
        return False
    deep = max(2, round(_BESIDE * height))
    if level + 1 + deep > like.shape[0]:
        return False
    outer = _share(like, (max(start, level - deep), level), shift)
    inner = _share(like, (level + 1, level + 1 + deep), shift)
    return outer > _MOSTLY and outer - inner > _STEP


def _share(like: Mask, rows: tuple[int, int], shift: np.ndarray) -> float:
    at = np.arange(*rows)[:, None] + shift[None, :]
    inside = (at >= 0) & (at < like.shape[0])
    if not inside.any():
        return 0.0
    picked = like[np.clip(at, 0, like.shape[0] - 1), np.arange(like.shape[1])[None, :]]
    return float(picked[inside].mean())


def _line(side: _Side, turns: int, shape: tuple[int, int]) -> Float64:
    """Return two points (2, 2) of a side in the view, which was turned anticlockwise for it."""
    height, width = shape
    across = height if turns % 2 else width
    x = np.array([0.0, across - 1.0])
    y = side.level + side.slope * (x - (across - 1) / 2)
    turned = {
        0: (x, y),
        1: (width - 1 - y, x),
        2: (width - 1 - x, height - 1 - y),
        3: (y, height - 1 - x),
    }[turns]
    return np.stack(turned, axis=1)


def _crossing(one: Float64, other: Float64) -> Float64:
    """Return where two lines, two points (2, 2) each, cross."""
    first, second = one[1] - one[0], other[1] - other[0]
    system = np.stack([first, -second], axis=1)
    along: Float64 = np.linalg.solve(system, other[0] - one[0])
    return np.asarray(one[0] + along[0] * first, float)
