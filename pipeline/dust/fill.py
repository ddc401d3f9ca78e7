"""Holes in a plane filled from around them, with grain, in the blocks where there are some."""

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import SIGMA_OF_MAD, Float32, Mask

Places = NDArray[np.intp]

# Share of a stretched membrane in the thin plate. A plate alone carries slopes on, but overshoots
# where its rim is grainy; a membrane alone flattens what it spans.
_TENSION = 0.1
_GRAIN_REACH_PX = 24
_GRAIN_SIGMA_PX = 1.2
_MOST_GRAIN = 2.5


def filled(picture: Float32, holes: Mask) -> Float32:
    """Return values (n, channels) for the n holes of a picture, in the order of its rows.

    Parameters
    ----------
    picture
        (h, w, channels) in density, of which values in holes do not count.
    holes
        (h, w), not all true.

    Notes
    -----
    The surface of least bending and least slope through the rim (thin plate under tension),
    solved exactly with a sparse factorisation.
    """
    from scipy.sparse.linalg import splu

    if not holes.any():
        return np.zeros((0, picture.shape[2]), np.float32)
    near = _grown(holes, 2)
    places = np.flatnonzero(near)
    matrix = _bending(near, _grown(holes, 1), places)
    open_ = holes.ravel()[places]
    rim = picture.reshape(-1, picture.shape[2])[places[~open_]].astype(float)
    within = matrix[open_]
    factor = splu(within[:, open_].tocsc())
    return np.asarray(factor.solve(-(within[:, ~open_] @ rim)), np.float32)


def _grown(mask: Mask, steps: int) -> Mask:
    """Return a mask grown by whole pixels, along rows and columns only."""
    cross = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    return cv2.dilate(mask.astype(np.uint8), cross, iterations=steps).astype(bool)


def _bending(near: Mask, bent: Mask, places: Places) -> Any:
    """Return the (n, n) sparse energy of a surface over n places: bending, and some slope.

    Bending counts at the places `bent`; the picture's border is free.
    """
    from scipy.sparse import coo_matrix

    index = np.full(near.size, -1, np.intp)
    index[places] = np.arange(len(places))
    grid = index.reshape(near.shape)
    pairs = []
    for one, other in ((grid[:, :-1], grid[:, 1:]), (grid[:-1], grid[1:])):
        both = (one >= 0) & (other >= 0)
        pairs.append(np.stack([one[both], other[both]]))
    first, second = np.concatenate(pairs, axis=1)
    count, ones = len(places), np.ones(len(first))
    links = coo_matrix((ones, (first, second)), (count, count)).tocsr()
    links = links + links.T
    degree = coo_matrix((np.asarray(links.sum(axis=1)).ravel(), (np.arange(count),) * 2)).tocsr()
    laplacian = degree - links
    counted = laplacian[bent.ravel()[places]]
    return (counted.T @ counted + _TENSION * laplacian).tocsr()


def with_grain(values: Float32, grain: Float32) -> Float32:
    """Return values (n, channels) for holes with grain found near by, held to the usual size."""
    if not len(values):
        return values
    usual = SIGMA_OF_MAD * np.median(np.abs(grain), axis=0)
    held: Float32 = np.clip(grain, -_MOST_GRAIN * usual, _MOST_GRAIN * usual).astype(np.float32)
    return values + held


def grain_near(picture: Float32, holes: Mask, wanted: Mask) -> Float32:
    """Return the grain of clean places near the wanted ones of holes, (n, channels).

    Grain is what a picture has beyond its slight blur, taken from the nearest place in a fixed
    order that is clean all round; nothing here is random. Zero where there is none.
    """
    rows, columns = np.nonzero(wanted)
    source = _grain_sources(holes, rows, columns)
    fine = picture - cv2.GaussianBlur(picture, (0, 0), _GRAIN_SIGMA_PX)
    fine = fine.reshape(-1, picture.shape[2])
    return np.where(source[:, None] >= 0, fine[source], np.float32(0.0)).astype(np.float32)


def _grain_sources(holes: Mask, rows: Places, columns: Places) -> Places:
    """Return for each hole the flat index of a clean place, -1 where there is none."""
    reach = int(np.ceil(3 * _GRAIN_SIGMA_PX))
    kernel = np.ones((2 * reach + 1,) * 2, np.uint8)
    unclean = cv2.dilate(holes.astype(np.uint8), kernel).astype(bool)
    height, width = holes.shape
    found = np.full(len(rows), -1, np.intp)
    for distance in range(reach + 1, _GRAIN_REACH_PX + 1, 2):
        for down, right in ((0, -1), (0, 1), (-1, 0), (1, 0), (-1, -1), (1, 1), (-1, 1), (1, -1)):
            todo = np.flatnonzero(found < 0)
            if not len(todo):
                return found
            y, x = rows[todo] + down * distance, columns[todo] + right * distance
            usable = (y >= 0) & (y < height) & (x >= 0) & (x < width)
            usable[usable] = ~unclean[y[usable], x[usable]]
            found[todo[usable]] = y[usable] * width + x[usable]
    return found


Box = tuple[slice, slice]

# What is done near dust alone is done in squares of this side, each with so much round about as
# the widest blur or search of all draws on; it is less than a square.
_BLOCK_PX, _HALO_PX = 64, 32


def groups(mask: Mask) -> Iterator[Box]:
    """Yield boxes that together hold a mask, each with some of what lies round about.

    None cuts through a part of the mask, or lies so near to another that it draws on its parts.
    """
    blocks = _blocks(mask).astype(np.uint8)
    _, _, found, _ = cv2.connectedComponentsWithStats(blocks, connectivity=8)
    boxes = [(top, left, top + high, left + wide) for left, top, wide, high, _ in found[1:]]
    for box in _apart([tuple(map(int, box)) for box in boxes]):
        yield _padded(mask.shape, tuple(side * _BLOCK_PX for side in box), _HALO_PX - 1)


def _apart(boxes: list[tuple[int, ...]]) -> list[tuple[int, ...]]:
    """Return boxes of whole blocks, those joined that touch or overlap."""
    done: list[tuple[int, ...]] = []
    todo = list(boxes)
    while todo:
        box = todo.pop()
        near = [
            other
            for other in done
            if other[0] <= box[2] and box[0] <= other[2]
            and other[1] <= box[3] and box[1] <= other[3]
        ]  # fmt: skip
        if not near:
            done.append(box)
            continue
        done = [other for other in done if other not in near]
        sides = list(zip(box, *near, strict=True))
        todo.append((min(sides[0]), min(sides[1]), max(sides[2]), max(sides[3])))
    return sorted(done)


def _blocks(mask: Mask) -> Mask:
    """Return which blocks (rows, columns) of a mask hold any of it."""
    high, wide = (-(-side // _BLOCK_PX) for side in mask.shape)
    whole = np.zeros((high * _BLOCK_PX, wide * _BLOCK_PX), bool)
    whole[: mask.shape[0], : mask.shape[1]] = mask
    return np.asarray(whole.reshape(high, _BLOCK_PX, wide, _BLOCK_PX).any(axis=(1, 3)), bool)


def _padded(shape: tuple[int, ...], sides: tuple[int, ...], halo: int) -> Box:
    top, left, bottom, right = sides
    return (
        slice(max(0, top - halo), min(shape[0], bottom + halo)),
        slice(max(0, left - halo), min(shape[1], right + halo)),
    )


def near_blocks(mask: Mask, halo: int = _HALO_PX) -> Iterator[tuple[Box, Box, Box]]:
    """Yield runs of blocks that hold some of a mask, and these with a halo round about.

    First the run in the mask, then the same with its halo, last the run within the latter.
    """
    for row, line in enumerate(_blocks(mask)):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], line, [False]]).astype(np.int8)))
        for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            sides = (row, start, row + 1, stop)
            whole = tuple(side * _BLOCK_PX for side in sides)
            run, wide = _padded(mask.shape, whole, 0), _padded(mask.shape, whole, halo)
            inner = tuple(
                slice(one.start - other.start, one.stop - other.start)
                for one, other in zip(run, wide, strict=True)
            )
            yield run, wide, (inner[0], inner[1])
