"""One frame cut out of its scan: its window, straightened, in bands."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Corners, Float32
from pipeline.render.lines import ScanLines
from pipeline.render.resample import MARGIN_PX, rounded, straight_bands, upright
from pipeline.scan import Scan, opened

Band = tuple[int, Float32]


def picture_size(outline: Corners) -> tuple[int, int]:
    """Return rows and columns of a straightened picture at the scan's own resolution."""
    corners = np.asarray(outline, float)
    across = np.hypot(*(corners[1] - corners[0])) + np.hypot(*(corners[2] - corners[3]))
    down = np.hypot(*(corners[3] - corners[0])) + np.hypot(*(corners[2] - corners[1]))
    return max(1, round(down / 2)), max(1, round(across / 2))


def frame_window(
    scan: Scan, outline: Corners, beyond_px: int = 0
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return rows and columns of a scan that a frame draws on, and as many pixels beyond."""
    corners, margin = np.asarray(outline, float), MARGIN_PX + beyond_px
    low, high = corners.min(axis=0) - margin, corners.max(axis=0) + margin
    columns = (max(0, int(np.floor(low[0]))), min(scan.width, int(np.ceil(high[0])) + 1))
    rows = (max(0, int(np.floor(low[1]))), min(scan.height, int(np.ceil(high[1])) + 1))
    return rows, columns


def light_bands(scan: Scan, outline: Corners, as_codes: bool = False) -> Iterator[Band]:
    """Yield a frame's linear light, straightened, in bands; only its window is read.

    A band is its first row and planes (3, n, columns), good until the next one is asked for.
    `as_codes` gives the codes as stored instead.
    """
    size = picture_size(outline)
    way = upright(outline, (0.0, 0.0), size, (scan.height, scan.width))
    window = way.window(*frame_window(scan, outline))
    with opened(scan) as reader:
        yield from straight_bands(ScanLines(scan, reader, way, window, as_codes), way, size)


def cut_light(scan: Scan, outline: Corners) -> Float32:
    """Return a frame's linear light (h, w, 3), straightened; only its window is read."""
    light = np.empty((*picture_size(outline), 3), np.float32)
    for top, planes in light_bands(scan, outline):
        light[top : top + planes.shape[1]] = np.moveaxis(planes, 0, 2)
    return light


def code_bands(scan: Scan, outline: Corners) -> Iterator[NDArray[np.generic]]:
    """Yield a frame's codes as stored, straightened, (n, w, 3) in the scan's own type."""
    kind = np.dtype(np.float32 if scan.floating else np.uint8 if scan.bits <= 8 else np.uint16)
    for _, planes in light_bands(scan, outline, as_codes=True):
        yield rounded(planes, kind)
