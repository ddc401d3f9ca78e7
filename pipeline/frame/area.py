"""What is written of a frame: a little less than its picture, or rebate around it as well."""

from dataclasses import replace

import numpy as np

from pipeline.kinds import MM_PER_INCH, Area, Corners, Points
from pipeline.strip import FrameBase

# A frame cut short by the strip's end keeps at least half of its picture.
_MOST_OF_A_SIDE = 0.25
_ROUNDS = 8


def written_area(
    outline: Corners,
    base: FrameBase,
    *,
    inset_mm: Area,
    border_mm: float,
    ppi: float,
    width: int,
    height: int,
) -> tuple[Corners, FrameBase]:
    """Return outline and base of what is written of a frame.

    Parameters
    ----------
    outline
        Corners of the frame in the scan, in the order of the picture.
    base
        The film base over the frame.
    inset_mm
        Cut off on the left, top, right and lower side, at most a quarter from either end.
    border_mm
        Kept around on all sides, on each as far as the scan shows it.
    ppi
        Pixels per inch of film.
    width, height
        Of the scan, in pixels.
    """
    inset, border = np.array(inset_mm) * ppi / MM_PER_INCH, border_mm * ppi / MM_PER_INCH
    if not inset.any() and not border:
        return outline, base
    corners = np.asarray(outline, float)
    right, down = _sides(corners)
    across, along = float(np.hypot(*right)), float(np.hypot(*down))
    if inset.any():
        moves = -np.minimum(inset, _MOST_OF_A_SIDE * np.array([across, along, across, along]))
    else:
        moves = _within(corners, np.full(4, border), width, height)
    moved = corners + _shifts(corners, moves)
    area = tuple((float(x), float(y)) for x, y in moved)
    return area, _moved_base(base, moves, across, along)


def _sides(corners: Points) -> tuple[Points, Points]:
    """Return the ways from left to right and from top to bottom of a picture."""
    right = corners[1] - corners[0] + corners[2] - corners[3]
    down = corners[3] - corners[0] + corners[2] - corners[1]
    return right / 2, down / 2


def _axes(corners: Points) -> tuple[Points, Points]:
    """Return the directions to the right and down in a picture, one pixel long."""
    right, down = _sides(corners)
    return right / np.hypot(*right), down / np.hypot(*down)


def _shifts(corners: Points, moves: Points) -> Points:
    """Return how far each corner moves when left, top, right and bottom move outwards."""
    (right, down), (left, top, farther, lower) = _axes(corners), moves
    return np.array(
        [
            -left * right - top * down,
            farther * right - top * down,
            farther * right + lower * down,
            -left * right + lower * down,
        ]
    )


def _within(corners: Points, moves: Points, width: int, height: int) -> Points:
    """Return moves outwards, each no farther than both of its corners stay on the scan.

    Where a corner would leave it, the side that moves most that way gives in. A side at the
    scan's edge or beyond stays where it is, though its neighbours' moves may take the corner of
    a tilted picture a little farther out.
    """
    right, down = _axes(corners)
    low, high = np.array([-0.5, -0.5]), np.array([width - 0.5, height - 0.5])
    outwards = (-right, -down, right, down)
    ends = ((0, 3), (0, 1), (1, 2), (2, 3))
    moves = moves.copy()
    for _ in range(_ROUNDS):
        for side, way in enumerate(outwards):
            axis = int(np.argmax(np.abs(way)))
            places = (corners + _shifts(corners, moves))[list(ends[side]), axis]
            room = (high[axis] - places) if way[axis] > 0 else (places - low[axis])
            over = max(0.0, -float(room.min())) / abs(way[axis])
            moves[side] = max(0.0, moves[side] - over)
    return moves


def _moved_base(base: FrameBase, moves: Points, width: float, height: float) -> FrameBase:
    """Return the base with the picture's sides moved outwards by so many pixels."""
    left, top, right, bottom = moves.tolist()
    across, down = (base.right - base.left) / width, (base.bottom - base.top) / height
    return replace(
        base,
        left=base.left - left * across,
        right=base.right + right * across,
        top=base.top - top * down,
        bottom=base.bottom + bottom * down,
    )
