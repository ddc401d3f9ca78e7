"""Grids of patches: rows and columns of even patches, seen at an angle."""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.chart_patches import Patches

Floats = NDArray[np.float64]

# How far apart patches lie, in sides of a patch: edges and gaps are narrower than patches.
_NEAREST, _FARTHEST = 0.85, 1.9
# How far a patch may lie from its place, in steps of the grid.
_OFF = 0.25
_REACHES = (1.5, 2.5, 6.5)
_LEAST_CELLS = 8
_ENOUGH_CELLS = 20
_MOST_SEEDS = 60
_MOST_GRIDS = 6


@dataclass(frozen=True)
class Grid:
    """A grid of patches: places (n, 2) as column and row, and the map to the picture (3, 3).

    `side` is the side of a patch as a share of the step of the grid.
    """

    cells: NDArray[np.int64]
    to_picture: Floats

    def places(self, columns: Floats, rows: Floats) -> Floats:
        """Return the picture's pixels (..., 2) of places of the grid."""
        return project(np.stack(np.broadcast_arrays(columns, rows), axis=-1), self.to_picture)


def project(points: Floats, matrix: Floats) -> Floats:
    """Return points (..., 2) through a projective map (3, 3)."""
    points = np.asarray(points, float)
    mapped = points @ matrix[:, :2].T + matrix[:, 2]
    placed: Floats = mapped[..., :2] / mapped[..., 2:]
    return placed


def find_grids(patches: Patches) -> list[Grid]:
    """Return grids that patches lie on, those of most patches first."""
    grids: list[Grid] = []
    taken: set[int] = set()
    for seed, first, second in _corners(patches):
        if seed in taken:
            continue
        grown = _grown(patches, seed, first, second)
        if grown is None:
            continue
        grid, members = grown
        grids.append(grid)
        taken.update(members)
        if len(members) >= _ENOUGH_CELLS or len(grids) == _MOST_GRIDS:
            break
    return sorted(grids, key=lambda grid: -len(grid.cells))


def _corners(patches: Patches) -> Iterator[tuple[int, int, int]]:
    """Yield a patch and two of its neighbours, about at right angles to each other."""
    if len(patches.sides) < _LEAST_CELLS:
        return
    step = patches.centres[None] - patches.centres[:, None]
    apart = np.hypot(step[..., 0], step[..., 1])
    sides = (patches.sides[:, None] + patches.sides[None]) / 2
    alike = np.abs(np.log(patches.sides[:, None] / patches.sides[None])) < 0.45
    near = alike & (apart > _NEAREST * sides) & (apart < _FARTHEST * sides)
    order = np.argsort(-np.minimum(near.sum(axis=1), 4), kind="stable")
    for seed in order[:_MOST_SEEDS]:
        about = np.nonzero(near[seed])[0]
        about = about[np.argsort(apart[seed, about], kind="stable")][:5]
        for index, first in enumerate(about):
            for second in about[index + 1 :]:
                u, v = step[seed, first], step[seed, second]
                lengths = apart[seed, first], apart[seed, second]
                slant = abs(float(u @ v)) / (lengths[0] * lengths[1])
                if slant < 0.4 and max(lengths) < 1.4 * min(lengths):
                    yield int(seed), int(first), int(second)


def _grown(
    patches: Patches, seed: int, first: int, second: int
) -> tuple[Grid, tuple[int, ...]] | None:
    """Return the grid that a corner spans, and its patches; None if it has too few."""
    cells = np.array([[0, 0], [1, 0], [0, 1]])
    members = np.array([seed, first, second])
    for reach in _REACHES:
        matrix = _fitted(cells, patches.centres[members])
        if matrix is None:
            return None
        found = _on_grid(patches, matrix, reach)
        if found is None:
            return None
        cells, members = found
        if reach == _REACHES[0] and len(members) < 4:
            return None
    matrix = _fitted(cells, patches.centres[members])
    if matrix is None or len(members) < _LEAST_CELLS or np.ptp(cells, axis=0).min() < 1:
        return None
    found = _on_grid(patches, matrix, _REACHES[-1])
    if found is None or len(found[1]) < _LEAST_CELLS:
        return None
    cells, members = found
    matrix = _fitted(cells, patches.centres[members])
    return None if matrix is None else (Grid(cells, matrix), tuple(members.tolist()))


def _fitted(cells: NDArray[np.int64], centres: Floats) -> Floats | None:
    """Return the projective map from places of the grid to the picture; affine for few."""
    places = cells.astype(float)
    if len(cells) < 8:
        terms = np.column_stack([places, np.ones(len(places))])
        solved = np.linalg.lstsq(terms, centres, rcond=None)[0]
        matrix = np.vstack([solved.T, [0.0, 0.0, 1.0]])
    else:
        found, _ = cv2.findHomography(places, centres, 0)
        if found is None:
            return None
        matrix = np.asarray(found, float)
    if not np.isfinite(matrix).all() or abs(float(np.linalg.det(matrix))) < 1e-3:
        return None
    return matrix


def _on_grid(
    patches: Patches, matrix: Floats, reach: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
    """Return places and patches that lie on a grid, one patch a place; None if hardly any do."""
    at = project(patches.centres, np.linalg.inv(matrix))
    at = np.where(np.isfinite(at), at, 1e6).clip(-1e6, 1e6)
    cells = np.rint(at).astype(np.int64)
    off = np.abs(at - cells).max(axis=1)
    ends = np.stack([project(cells + step, matrix) for step in ([0.5, 0], [-0.5, 0], [0, 0.5])])
    step_px = np.hypot(*(ends[0] - ends[1]).T)
    share = patches.sides / np.maximum(step_px, 1e-6)
    fits = (off < _OFF) & (np.abs(cells).max(axis=1) <= reach) & (share > 0.5) & (share < 1.25)
    members = np.nonzero(fits)[0]
    members = members[np.argsort(off[members], kind="stable")]
    _, firsts = np.unique(cells[members], axis=0, return_index=True)
    members = members[np.sort(firsts)]
    if len(members) < 3:
        return None
    return cells[members], members
