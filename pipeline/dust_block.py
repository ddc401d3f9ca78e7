"""The blocks of a picture that hold some of a mask, so that work is done there alone."""

from collections.abc import Iterator

import cv2
import numpy as np

from pipeline.kinds import Mask

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
