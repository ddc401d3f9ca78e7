"""Even patches in a small picture, and the grid of a 24-patch chart that they lie on."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import greatest
from pipeline.chart.plane_map import PlaneMap, map_through
from pipeline.kinds import Float64, Mask, Picture

# Steepness, in density a pixel, above which a place counts as an edge. Borders of a chart are
# lighter than most patches by 0.1 to 1.5, over some pixels; grain sets the least.
_STEEP = (0.008, 0.016, 0.03, 0.06, 0.12)
_LEAST_AREA_PX = 9
_MOST_AREA_SHARE = 1 / 16
# Share of the smallest rectangle around it that a patch fills, and its longest shape.
_LEAST_FILL = 0.7
_LONGEST = 1.9
# Edges take a pixel or two off a patch on each side.
_EDGE_PX = 3.0
_MOST_PATCHES = 220
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
_LARGE_GRID = 15
_MOST_SEEDS, _MOST_CORNERS = 60, 160
_MOST_GRIDS = 6
_ROUNDS = 4
# More than places of the grid reach to either side.
_MOST_ROWS = 100


@dataclass(frozen=True)
class Patches:
    """Centres (n, 2) in pixels and sides (n) in pixels of even patches."""

    centres: Float64
    sides: Float64


def even_patches(picture: Picture) -> Patches:
    """Return the even patches of a picture of densities (h, w, 3), squarest first.

    Patches are what edges enclose; as a chart's edges are faint beside dark patches and strong
    beside light ones, several levels of steepness are tried.
    """
    steep = _steepness(picture)
    most = picture.shape[0] * picture.shape[1] * _MOST_AREA_SHARE
    found = [row for level in _STEEP for row in _enclosed(steep < level, most)]
    if not found:
        return Patches(np.zeros((0, 2)), np.zeros(0))
    rows = np.array(found)
    rows = rows[np.argsort(-rows[:, 3], kind="stable")]
    kept: list[int] = []
    for index, (x, y, side, _) in enumerate(rows):
        near = rows[kept]
        apart = np.hypot(near[:, 0] - x, near[:, 1] - y)
        if not (apart < 0.4 * np.maximum(near[:, 2], side)).any():
            kept.append(index)
        if len(kept) == _MOST_PATCHES:
            break
    return Patches(rows[kept, :2], rows[kept, 2])


def _steepness(picture: Picture) -> Picture:
    smooth = cv2.medianBlur(np.ascontiguousarray(picture, np.float32), 3)
    smooth = cv2.GaussianBlur(smooth, (0, 0), 0.7)
    across = cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / 32)
    down = cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / 32)
    rows, columns = picture.shape[:2]
    steep = cv2.magnitude(across.reshape(rows, -1), down.reshape(rows, -1))
    return greatest(np.asarray(steep, np.float32).reshape(rows, columns, 3))


def _enclosed(even: Mask, most: float) -> list[tuple[float, float, float, float]]:
    """Return centre, side and fill of the even areas that are about square."""
    # An opening by 2 x 2 pixels; anchors at opposite corners keep it where it is.
    square = np.ones((2, 2), np.uint8)
    mask = cv2.erode(even.astype(np.uint8), square, anchor=(0, 0), borderValue=1)
    mask = cv2.dilate(mask, square, anchor=(1, 1))
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    found = []
    for contour, links in zip(contours, () if tree is None else tree[0], strict=True):
        if links[3] >= 0 or len(contour) < 8:
            continue
        # Contours run through pixel centres: half a pixel is missing on each side.
        area = cv2.contourArea(contour) + len(contour) / 2.0 + 1.0
        if not _LEAST_AREA_PX <= area <= most:
            continue
        (x, y), (wide, high), _ = cv2.minAreaRect(contour)
        wide, high = wide + 1.0, high + 1.0
        if max(wide, high) > _LONGEST * min(wide, high):
            continue
        fill = min(area / (wide * high), 1.0)
        if fill >= _LEAST_FILL:
            moments = cv2.moments(contour)
            if moments["m00"] > 0:
                x, y = (moments[name] / moments["m00"] for name in ("m10", "m01"))
            found.append((float(x), float(y), float(np.sqrt(area)) + _EDGE_PX, float(fill)))
    return found


@dataclass(frozen=True)
class Grid:
    """A grid of patches: places (n, 2) as column and row, and the map to the picture.

    `centres` (n, 2) are the patches' own in the picture's pixels.
    """

    cells: NDArray[np.int64]
    centres: Float64
    to_picture: PlaneMap

    def within(self, places: Float64) -> "Grid":
        """Return the grid as the patches at some places (n, 2) have it, stray ones left out."""
        wanted = {(int(column), int(row)) for column, row in places}
        kept = np.array([(int(column), int(row)) in wanted for column, row in self.cells])
        grid = self
        for _ in range(_ROUNDS):
            way = _fitted(self.cells[kept], self.centres[kept])
            if way is None:
                return grid
            grid = Grid(self.cells[kept], self.centres[kept], way)
            off = np.abs(way.inverse(self.centres) - self.cells).max(axis=1)
            still = kept & (off < max(_STRAY, 3.0 * float(np.median(off[kept]))))
            if still.sum() in (kept.sum(), 0) or still.sum() < _LEAST_CELLS:
                return grid
            kept = still
        return grid


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
        way = _fitted(cells, patches.centres[members])
        if way is None:
            return None
        found = _on_grid(patches, way, reach)
        if found is None:
            return None
        cells, members = found
        if reach == _REACHES[0] and len(members) < 4:
            return None
    if len(members) < _LEAST_CELLS or np.ptp(cells, axis=0).min() < 1:
        return None
    for _ in range(_ROUNDS):
        way = _fitted(cells, patches.centres[members])
        found = None if way is None else _on_grid(patches, way, _REACHES[-1])
        if found is None or len(found[1]) <= len(members):
            break
        cells, members = found
    way = _fitted(cells, patches.centres[members])
    if way is None:
        return None
    return Grid(cells, patches.centres[members], way), tuple(members.tolist())


def _fitted(cells: NDArray[np.int64], centres: Float64) -> PlaneMap | None:
    """Return the projective map from places of the grid to the picture; affine for few."""
    found = map_through(cells.astype(float), centres, affine=len(cells) <= _AFFINE_CELLS)
    return found if found and abs(float(np.linalg.det(found.matrix))) >= 1e-3 else None


def _on_grid(
    patches: Patches, way: PlaneMap, reach: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
    """Return places and patches that lie on a grid, one patch a place; None if hardly any do."""
    at = way.inverse(patches.centres).clip(-1e6, 1e6)
    cells = np.rint(at).astype(np.int64)
    off = np.abs(at - cells).max(axis=1)
    ends = [way(cells + np.array([step, 0.0])) for step in (0.5, -0.5)]
    step_px = np.hypot(*(ends[0] - ends[1]).T)
    share = patches.sides / np.maximum(step_px, 1e-6)
    fits = (off < _OFF) & (np.abs(cells).max(axis=1) <= reach) & (share > 0.5) & (share < 1.25)
    members = np.nonzero(fits)[0]
    members = members[np.argsort(off[members], kind="stable")]
    columns, rows = cells[members].T
    _, firsts = np.unique(columns * _MOST_ROWS + rows, return_index=True)
    members = members[np.sort(firsts)]
    if len(members) < 3:
        return None
    return cells[members], members
