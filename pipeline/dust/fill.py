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


_ALONG_ROWS = ((0, 0, 0), (1, 1, 1), (0, 0, 0))


def groups(mask: Mask) -> Iterator[Box]:
    """Yield boxes that together hold a mask, each with some of what lies round about.

    None cuts through a part of the mask, or lies so near to another that it draws on its parts.
    """
    blocks = _blocks(mask)
    boxes = _boxes(blocks, np.ones((3, 3)))
    while sum(blocks[box].size for box in boxes) > np.count_nonzero(blocks):
        for box in boxes:
            blocks[box] = True
        boxes = _boxes(blocks, np.ones((3, 3)))
    for box in boxes:
        yield _padded(mask.shape, box, _HALO_PX - 1)


def _blocks(mask: Mask) -> Mask:
    """Return which blocks (rows, columns) of a mask hold any of it."""
    starts = (np.arange(0, side, _BLOCK_PX) for side in mask.shape)
    for axis, at in enumerate(starts):
        mask = np.logical_or.reduceat(mask, at, axis=axis)
    return mask


def _boxes(blocks: Mask, structure: Any) -> list[Box]:
    """Return boxes, in blocks, of the parts that a structure connects."""
    from scipy.ndimage import find_objects, label

    return list(find_objects(label(blocks, structure)[0]))


def _padded(shape: tuple[int, ...], box: Box, halo: int) -> Box:
    """Return a box of blocks in pixels, with a halo as far as a picture of a shape goes."""
    rows, columns = (
        slice(max(0, side.start * _BLOCK_PX - halo), min(size, side.stop * _BLOCK_PX + halo))
        for side, size in zip(box, shape, strict=True)
    )
    return rows, columns


def near_blocks(mask: Mask, halo: int = _HALO_PX) -> Iterator[tuple[Box, Box, Box]]:
    """Yield runs of blocks that hold some of a mask, and these with a halo round about.

    First the run in the mask, then the same with its halo, last the run within the latter.
    """
    for box in _boxes(_blocks(mask), _ALONG_ROWS):
        run, wide = _padded(mask.shape, box, 0), _padded(mask.shape, box, halo)
        rows, columns = (
            slice(one.start - other.start, one.stop - other.start)
            for one, other in zip(run, wide, strict=True)
        )
        yield run, wide, (rows, columns)
