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
        self._size, self._small = size, small
        edges = np.arange(small[1] + 1, dtype=np.int64) * size[1]
        self._firsts = edges // small[1]
        self._parts = (edges % small[1] / small[1]).astype(np.float32)
        self._sums = np.zeros((3, 1, size[1]), np.float32)
        self._done = 0

    def of(self, planes: Floats, top: int) -> Floats:
        """Return planes (3, n, columns) of the smaller picture that rows from `top` on complete.

        Bands are taken in order; n may be 0. A picture that isn't smaller is passed on.
        """
        from pipeline.code_kernel import gathered, narrowed

        if self._size == self._small:
            return planes
        high, rows = self._size[0], self._small[0]
        places = np.arange(top, top + planes.shape[1], dtype=np.int64)
        targets = places * rows // high
        # The share of a row above the border between two rows of the smaller picture.
        shares = np.minimum((targets + 1) * high / rows - places, 1.0).astype(np.float32)
        complete = int((top + planes.shape[1]) * rows // high)
        sums = np.zeros((3, complete - self._done + 2, planes.shape[2]), np.float32)
        sums[:, :1] = self._sums
        gathered(planes, sums, targets - self._done, shares)
        ready = np.ascontiguousarray(sums[:, : complete - self._done])
        self._sums = sums[:, complete - self._done :][:, :1].copy()
        self._done = complete
        result = np.empty((3, ready.shape[1], self._small[1]), np.float32)
        scale = rows * self._small[1] / (high * self._size[1])
        narrowed(ready, result, self._firsts, self._parts, np.float32(scale))
        return result
