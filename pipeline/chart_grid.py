"""Grids of patches: rows and columns of even patches, seen at an angle."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.chart_patches import Patches
from pipeline.kinds import Float64

# How far apart patches lie, in sides of a patch: edges and gaps are narrower than patches.
_NEAREST, _FARTHEST = 0.85, 1.9
# How far a patch may lie from its place, in steps of the grid.
_OFF = 0.25
# How far one may lie from it that is no stray one.
_STRAY = 0.03
_REACHES = (1.5, 2.5, 6.5)
_LEAST_CELLS = 8
# So few patches fix no perspective: it is left out.
_AFFINE_CELLS = 11
_LARGE_GRID, _ENOUGH_CELLS = 15, 21
_MOST_SEEDS, _MOST_CORNERS = 60, 160
_MOST_GRIDS = 6
_ROUNDS = 4


@dataclass(frozen=True)
class Grid:
    """A grid of patches: places (n, 2) as column and row, and the map to the picture (3, 3).

    `centres` (n, 2) are the patches' own in the picture's pixels.
    """

    cells: NDArray[np.int64]
    centres: Float64
    to_picture: Float64

    def within(self, places: Float64) -> "Grid":
        """Return the grid as the patches at some places (n, 2) have it, stray ones left out."""
        wanted = {(int(column), int(row)) for column, row in places}
        kept = np.array([(int(column), int(row)) in wanted for column, row in self.cells])
        grid = self
        for _ in range(_ROUNDS):
            matrix = _fitted(self.cells[kept], self.centres[kept])
            if matrix is None:
                return grid
            grid = Grid(self.cells[kept], self.centres[kept], matrix)
            at = project(self.centres, np.asarray(np.linalg.inv(matrix), float))
            off = np.abs(at - self.cells).max(axis=1)
            still = kept & (off < max(_STRAY, 3.0 * float(np.median(off[kept]))))
            if still.sum() in (kept.sum(), 0) or still.sum() < _LEAST_CELLS:
                return grid
            kept = still
        return grid


def project(points: Float64, matrix: Float64) -> Float64:
    """Return points (..., 2) through a projective map (3, 3); not finite at its horizon."""
    points = np.asarray(points, float)
    mapped = points @ matrix[:, :2].T + matrix[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        placed: Float64 = mapped[..., :2] / mapped[..., 2:]
    return placed


def find_grids(patches: Patches) -> list[Grid]:
    """Return grids that patches lie on, those of most patches first."""
    grids: list[Grid] = []
    taken: set[int] = set()
    for seed, first, second in itertools.islice(_corners(patches), _MOST_CORNERS):
        if seed in taken:
            continue
        grown = _grown(patches, seed, first, second)
        if grown is None:
            continue
        grid, members = grown
        grids.append(grid)
        # Every other patch makes a grid too, turned by half a right angle: small ones wait
        # for a better corner.
        if len(members) >= _LARGE_GRID:
            taken.update(members)
        if len(members) >= _ENOUGH_CELLS:
            break
    return sorted(grids, key=lambda grid: -len(grid.cells))[:_MOST_GRIDS]


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
    if len(members) < _LEAST_CELLS or np.ptp(cells, axis=0).min() < 1:
        return None
    for _ in range(_ROUNDS):
        matrix = _fitted(cells, patches.centres[members])
        found = None if matrix is None else _on_grid(patches, matrix, _REACHES[-1])
        if found is None or len(found[1]) <= len(members):
            break
        cells, members = found
    matrix = _fitted(cells, patches.centres[members])
    if matrix is None:
        return None
    return Grid(cells, patches.centres[members], matrix), tuple(members.tolist())


def _fitted(cells: NDArray[np.int64], centres: Float64) -> Float64 | None:
    """Return the projective map from places of the grid to the picture; affine for few."""
    places = cells.astype(float)
    if len(cells) <= _AFFINE_CELLS:
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
    patches: Patches, matrix: Float64, reach: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
    """Return places and patches that lie on a grid, one patch a place; None if hardly any do."""
    at = project(patches.centres, np.asarray(np.linalg.inv(matrix), float))
    at = np.where(np.isfinite(at), at, 1e6).clip(-1e6, 1e6)
    cells = np.rint(at).astype(np.int64)
    off = np.abs(at - cells).max(axis=1)
    ends = [project(cells + np.array([step, 0.0]), matrix) for step in (0.5, -0.5)]
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
