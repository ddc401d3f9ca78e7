"""A picture reduced by area means while its bands go by."""

import numpy as np
from numpy.typing import NDArray

from pipeline.resample import Span

Floats = NDArray[np.float32]


def reduced_size(size: Span, long_side: int | None) -> Span:
    """Return rows and columns of a picture whose longer side is to be at most `long_side`."""
    longest = max(size)
    if long_side is None or longest <= long_side:
        return size
    rows, columns = (max(1, round(side * long_side / longest)) for side in size)
    return rows, columns


class AreaMean:
    """Bands of a picture in, bands of a smaller one out: each pixel the mean of its area."""

    def __init__(self, size: Span, small: Span) -> None:
        """Take rows and columns of the picture, and of the smaller one."""
        self._same, self._columns = size == small, small[1]
        edges = np.arange(small[1] + 1, dtype=np.int64) * size[1]
        self._firsts = edges // small[1]
        self._parts = (edges % small[1] / small[1]).astype(np.float32)
        places = np.arange(size[0], dtype=np.int64)
        targets = places * small[0] // size[0]
        self._ends = (places + 1) * small[0] // size[0] > targets
        # The share of a row above the border between two rows of the smaller picture.
        borders = (targets + 1) * size[0] / small[0]
        self._shares = np.minimum(borders - places, 1.0).astype(np.float32)
        self._scale = np.float32(small[0] * small[1] / (size[0] * size[1]))
        self._sums = np.zeros((3, size[1]), np.float32)

    def of(self, planes: Floats, top: int) -> Floats:
        """Return planes (3, n, columns) of the smaller picture that rows from `top` on complete.

        Bands are taken in order; n may be 0. A picture that isn't smaller is passed on.
        """
        from pipeline.code_kernel import area_means

        if self._same:
            return planes
        rows = slice(top, top + planes.shape[1])
        ends = self._ends[rows]
        result = np.empty((3, int(ends.sum()), self._columns), np.float32)
        area_means(
            planes, self._sums, result, ends, self._shares[rows], self._firsts, self._parts,
            self._scale,
        )  # fmt: skip
        return result
