"""Maps from one plane to another as a camera sees it: the homography through pairs of points."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.kinds import Float64, Points

_LEAST = 1e-8
_TINY = float(np.finfo(float).eps)


@dataclass(frozen=True)
class PlaneMap:
    """A homography (3, 3) of points (x, y, 1)."""

    matrix: Float64

    def __call__(self, points: Points) -> Float64:
        """Return where points (n, 2) go."""
        return _through(self.matrix, points)

    def inverse(self, points: Points) -> Float64:
        """Return where points (n, 2) come from."""
        return _through(self._back, points)

    @cached_property
    def _back(self) -> Float64:
        return np.asarray(np.linalg.inv(self.matrix))


def _through(matrix: Float64, points: Points) -> Float64:
    whole = np.asarray(points, float) @ matrix[:, :2].T + matrix[:, 2]
    depth = np.where(whole[:, 2:] == 0.0, _TINY, whole[:, 2:])
    moved: Float64 = whole[:, :2] / depth
    return moved


def map_through(start: Points, end: Points, *, affine: bool = False) -> PlaneMap | None:
    """Return the map that brings points (n, 2) nearest to others, or None where they fix none.

    At least four pairs fix it, three if it is to be affine.

    Notes
    -----
    The direct linear transformation: the unknowns' vector that the pairs' equations make least,
    both planes centred and brought to one size first (Hartley and Zisserman, Multiple View
    Geometry, from memory).
    """
    to_start, to_end = _evened(start), _evened(end)
    if to_start is None or to_end is None:
        return None
    (x, y), (right, down) = _through(to_start, start).T, _through(to_end, end).T
    one, none = np.ones_like(x), np.zeros_like(x)
    ahead, below = ((), ()) if affine else ((-right * x, -right * y), (-down * x, -down * y))
    equations = np.concatenate([
        np.stack([x, y, one, none, none, none, *ahead, right]),
        np.stack([none, none, none, x, y, one, *below, down]),
    ], axis=1)  # fmt: skip
    _, vectors = np.linalg.eigh(equations @ equations.T)
    least = vectors[:, 0]
    if abs(float(least[-1])) <= _LEAST:
        return None
    matrix = np.zeros(9)
    matrix[: len(least) - 1] = -least[:-1] / least[-1]
    matrix[8] = 1.0
    whole = np.linalg.inv(to_end) @ matrix.reshape(3, 3) @ to_start
    return PlaneMap(whole / whole[2, 2])


def _evened(points: Points) -> Float64 | None:
    """Return the map that brings points (n, 2) about nought and to a size of one, None for one."""
    middle = points.mean(axis=0)
    size = float(np.sqrt(((points - middle) ** 2).sum() / (2.0 * len(points))))
    if not size > 0.0:
        return None
    x, y = (-middle / size).tolist()
    return np.array([[1.0 / size, 0.0, x], [0.0, 1.0 / size, y], [0.0, 0.0, 1.0]])
