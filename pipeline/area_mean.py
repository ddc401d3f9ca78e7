"""A picture reduced by area means while its bands go by."""

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float32, Span


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
        scale = small[0] * small[1] / (size[0] * size[1])
        self._firsts, self._weights = _column_weights(size[1], small[1], scale)
        places = np.arange(size[0], dtype=np.int64)
        targets = places * small[0] // size[0]
        self._ends = (places + 1) * small[0] // size[0] > targets
        # The share of a row above the border between two rows of the smaller picture.
        borders = (targets + 1) * size[0] / small[0]
        self._shares = np.minimum(borders - places, 1.0).astype(np.float32)
        self._sums = np.zeros((3, size[1]), np.float32)

    def of(self, planes: Float32, top: int) -> Float32:
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
            planes, self._sums, result, ends, self._shares[rows], self._firsts, self._weights
        )  # fmt: skip
        return result


def _column_weights(wide: int, small: int, scale: float) -> tuple[NDArray[np.int32], Float32]:
    """Return the first column that each of fewer ones draws on, and weights (taps, columns).

    A weight is the part of a column inside the one of the smaller picture, times a scale.
    """
    edges = np.arange(small + 1) * wide / small
    taps = min(wide, int(np.ceil(wide / small)) + 1)
    firsts = np.minimum(np.floor(edges[:-1]), wide - taps)
    lefts = firsts + np.arange(taps)[:, None]
    inside = np.minimum(lefts + 1, edges[1:]) - np.maximum(lefts, edges[:-1])
    return firsts.astype(np.int32), (np.maximum(inside, 0.0) * scale).astype(np.float32)
