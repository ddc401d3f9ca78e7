"""Parts of a mask: which of its places hang together, one part after the other."""

from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Int32, Mask, Span, Whole

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

    def places(self, wide: int) -> Whole:
        """Return the places (n,) in rows so wide side by side."""
        flat: Whole = self.rows.astype(np.int64) * wide + self.columns
        return flat

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
    shape: Span, mask: Whole, seeds: Whole, steps: tuple[tuple[int, int], ...] = TOUCHING
) -> Parts:
    """Return the parts of a mask of a shape that hold one of its seeds.

    Both are places (n,) in its rows side by side; seeds outside the mask are passed over.
    """
    from pipeline.dust.kernel import gathered

    places, starts = np.empty((2, len(mask)), np.int32), np.empty(len(mask) + 1, np.int32)
    count = gathered(mask_of(shape, mask), seeds, np.array(steps, np.int64), places, starts)
    starts = starts[: count + 1].copy()
    rows, columns = places[:, : starts[-1]]
    return Parts(rows, columns, starts)


def mask_of(shape: Span, places: Whole) -> Mask:
    """Return a mask of a shape, true at places (n,) in its rows side by side."""
    mask = np.zeros(shape, bool)
    mask.reshape(-1)[places] = True
    return mask
