"""Where film ends along a strip."""

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Mask, Plane
from pipeline.strip.film_edge import EdgeLine
from pipeline.strip.surround import OPEN

# Of a column of film so much is open gate at the most. What lets more through beside it, for so
# many widths of the film, is none; where film is, it is for so many.
_MOST_BESIDE, _LEAST_NARROW, _FIRM_OF_WIDTH = 0.25, 0.25, 0.1
# Perforations and punched holes cross less of film than this.
_ACROSS = 0.5


def parted_by_gate(piece: Mask, outline: NDArray[Any], open_gate: Mask) -> Mask:
    """Return a piece of film (h, w), filled to its outline (n, 1, 2), less what is open across.

    There film ends. Light that spreads over a holder around its window is as dim as dense film,
    and joins film to itself around the light beyond its ends, all around or not quite.
    """
    around = cv2.convexHull(outline)
    hull = cv2.fillConvexPoly(np.zeros(piece.shape, np.uint8), around, 1).view(bool)
    holes = (hull & open_gate).view(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(holes, connectivity=8)
    _, sides, turn_deg = cv2.minAreaRect(around)
    turn = math.radians(turn_deg)
    axes = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    parted = piece.copy()
    for hole in range(1, count):
        box = stats[hole, cv2.CC_STAT_WIDTH : cv2.CC_STAT_HEIGHT + 1]
        if math.hypot(*box) < _ACROSS * min(sides):
            continue
        places = np.argwhere(labels == hole)[:, ::-1] @ axes
        first, last = places.min(axis=0), places.max(axis=0)
        across = int(np.argmax((last - first) / sides))
        if last[across] - first[across] < _ACROSS * sides[across]:
            continue
        rows, columns = np.nonzero(parted)
        at = np.column_stack([columns, rows]) @ axes
        inside = (at >= first) & (at <= last)
        along = at[inside[:, across], 1 - across]
        beyond = (along < first[1 - across]).sum(), (along > last[1 - across]).sum()
        # Light beside film that lies beside a longer one is closed in on one side alone.
        if min(beyond) < _ACROSS * (last - first)[across]:
            continue
        gone = inside[:, 1 - across] & ~inside[:, across] | (labels[rows, columns] == hole)
        parted[rows[gone], columns[gone]] = False
    return parted


def less_narrow_ends(film: Mask, share: Plane, edges: tuple[EdgeLine, EdgeLine]) -> Mask:
    """Return where film is (h, w), less what is joined to its ends but narrower: a finger, a clip.

    `share` is that of open gate in a pixel; film lets it through in its perforations alone.
    """
    upper, lower = (edge.at((film.shape[1] - 1) / 2) for edge in edges)
    rows = slice(max(0, math.ceil(upper)), max(1, math.floor(lower)))
    # Edges of film that is badly damaged may cross, or lie out of view.
    if not len(film[rows]):
        return film
    beside = ((share[rows] > OPEN) & ~film[rows]).mean(axis=0)
    wide = film[rows].any(axis=0) & (beside < _MOST_BESIDE)
    firm = max(1, round(_FIRM_OF_WIDTH * (lower - upper)))
    starts = np.flatnonzero(np.convolve(wide, np.ones(firm), "valid") >= firm)
    if not len(starts):
        return film
    columns = np.flatnonzero(film[rows].any(axis=0))
    first, last = int(starts[0]), int(starts[-1]) + firm - 1
    least = _LEAST_NARROW * (lower - upper)
    first = first if first - columns[0] > least else 0
    last = last if columns[-1] - last > least else film.shape[1] - 1
    if first == 0 and last == film.shape[1] - 1:
        return film
    kept = np.zeros_like(film)
    kept[:, first : last + 1] = film[:, first : last + 1]
    return kept


def ends_of(mask: Mask, upper: float, lower: float) -> tuple[float, float]:
    """Return the columns between which film lies, to a part of a pixel; 0 and 0 if it has none."""
    rim = 0.1 * (lower - upper)
    film = mask[max(0, round(upper + rim)) : max(1, round(lower - rim))]
    # Edges of what is no film may cross, or lie out of view.
    if not len(film):
        return 0.0, 0.0
    share = film.mean(axis=0)
    inside = np.nonzero(share > 0.5)[0]
    if not len(inside):
        return 0.0, 0.0
    first, last = int(inside[0]), int(inside[-1])
    before = float(share[first - 1]) if first > 0 else 0.0
    after = float(share[last + 1]) if last + 1 < len(share) else 0.0
    start = first - (share[first] - 0.5) / (share[first] - before)
    end = last + (share[last] - 0.5) / (share[last] - after)
    return float(start), float(end)
