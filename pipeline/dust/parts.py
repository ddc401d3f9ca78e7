"""Parts of a mask: which of its places hang together, one part after the other."""

from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Int32, Mask

# Steps from a place to those that count as next to it: the eight around it, and these with those
# two along a row or column, between which is one place only.
TOUCHING = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))
NEAR = (*TOUCHING, (-2, 0), (0, -2), (0, 2), (2, 0))


@dataclass(frozen=True)
class Parts:
    """Places of a mask, rows and columns (n,), part after part.

    Part k begins at `starts[k]` and ends before `starts[k + 1]`.
    """

    rows: Int32
    columns: Int32
    starts: Int32

    def __len__(self) -> int:
        """Return how many parts there are."""
        return len(self.starts) - 1

    def widths(self) -> Int32:
        """Return the lesser side (parts,) of the upright box around each part, in pixels."""
        first = self.starts[:-1]
        if not len(first):
            return first
        sides = [
            np.maximum.reduceat(places, first) - np.minimum.reduceat(places, first) + 1
            for places in (self.rows, self.columns)
        ]
        return np.asarray(np.minimum(*sides), np.int32)


def parts_of(
    mask: Mask, seeds: Mask | None = None, steps: tuple[tuple[int, int], ...] = TOUCHING
) -> Parts:
    """Return the parts of a mask (h, w) that hold one of its seeds, or all."""
    from pipeline.dust.kernel import gathered

    left = mask.astype(np.uint8)
    begun = np.flatnonzero(mask if seeds is None else seeds & mask)
    places = np.empty((2, int(np.count_nonzero(mask))), np.int32)
    starts = np.empty(places.shape[1] + 1, np.int32)
    count = gathered(left, begun, np.array(steps, np.int64), places, starts)
    starts = starts[: count + 1].copy()
    rows, columns = places[:, : starts[-1]]
    return Parts(rows, columns, starts)


def joined(clear: Mask, rim: Mask) -> Mask:
    """Return the parts of a rim (h, w) that hold a clear place."""
    parts = parts_of(rim, clear)
    mask = np.zeros(rim.shape, bool)
    mask[parts.rows, parts.columns] = True
    return mask
