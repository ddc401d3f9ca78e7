"""Where the camera's gate lies in files of one picture, as the clear ones of a roll show it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Corners, Float64
from pipeline.outline import corners_of

# One camera's gate, seen by another from one place: so far off is its length, as a share.
_SAME_LENGTH = 0.015
# So far from where the others lie a picture may lie in its file, as a share of its length.
_SAME_PLACE = 0.05
_LEAST_CLEAR, _LEAST_AGREE = 2, 0.6


@dataclass(frozen=True)
class SingleGate:
    """The usual sides of the picture in files of one size, in pixels of the scan as stored.

    `size` is (w, h) of the files, `first` the left and upper side, `last` the right and lower.
    """

    size: tuple[int, int]
    first: tuple[float, float]
    last: tuple[float, float]

    def held(self, outline: Corners, size: tuple[int, int]) -> Corners | None:
        """Return an outline with its sides as far apart as usual, or None if they are so already.

        Of two sides that are not, or not all along, that which lies nearer to its usual place is
        kept, and the other one is parallel to it.
        """
        if size != self.size:
            return None
        corners = np.array(outline, float)
        moved = False
        for axis in (0, 1):
            order = np.argsort(corners[:, axis])
            # Both sides' corners, those of one end of the sides first.
            sides = [side[np.argsort(corners[side, 1 - axis])] for side in (order[:2], order[2:])]
            at = np.array([corners[side, axis] for side in sides])
            usual = np.array([self.first[axis], self.last[axis]])
            length = usual[1] - usual[0]
            if (np.abs((at[1] - at[0]) / length - 1.0) < _SAME_LENGTH).all():
                continue
            off = at - usual[:, None]
            kept = off[int(np.argmin(np.abs(off).max(axis=1)))]
            shift = kept if np.abs(kept).max() < _SAME_PLACE * length else np.zeros_like(kept)
            for side, there in zip(sides, usual, strict=True):
                corners[side, axis] = there + shift
            moved = True
        return corners_of(corners) if moved else None


def usual_gate(outlines: Sequence[Corners], sizes: Sequence[tuple[int, int]]) -> SingleGate | None:
    """Return where the gate lies by the outlines of clear pictures, None if too few agree.

    Parameters
    ----------
    outlines
        Of one picture a file, in pixels of the scan as stored.
    sizes
        (w, h) of the files.
    """
    common = max(sizes, key=list(sizes).count, default=None)
    boxes = [_box(o) for o, size in zip(outlines, sizes, strict=True) if size == common]
    if common is None or len(boxes) < _LEAST_CLEAR:
        return None
    sides = np.array(boxes)
    lengths = sides[:, 1] - sides[:, 0]
    usual = np.median(lengths, axis=0)
    near = (np.abs(lengths / usual - 1.0) < _SAME_LENGTH).all(axis=1)
    if near.sum() < _LEAST_CLEAR or near.mean() < _LEAST_AGREE:
        return None
    middle = np.median(sides[near].mean(axis=1), axis=0)
    half = np.median(lengths[near], axis=0) / 2.0
    (left, top), (right, lower) = middle - half, middle + half
    return SingleGate(common, (float(left), float(top)), (float(right), float(lower)))


def _box(outline: Corners) -> Float64:
    """Return the left and upper, and the right and lower side (2, 2) of an outline."""
    ordered = np.sort(np.asarray(outline, float), axis=0)
    box: Float64 = ordered.reshape(2, 2, 2).mean(axis=1)
    return box
