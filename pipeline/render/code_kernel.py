"""The compiled loops from codes to planes and back; importing them loads the compiler."""

from typing import Any

import numpy as np
from numba import boolean, float32, int64, uint8, uint16, void

from pipeline.compiled import compiled, index
from pipeline.kinds import Codes, Float32
from pipeline.render.band_kernel import BLUE, GREEN, NEXT, NONE, PLANES, RED, TABLE, TWO, taken

EIGHT_BITS, SIXTEEN_BITS = np.float32(255.0), np.float32(65535.0)
"""Full scale of codes."""

# Codes dense or not: it makes no difference in time.
_KINDS = (uint16, uint8)


@compiled(fast=True)
def _forth(codes: Codes, at: Any, step: Any, scale: np.float32, planes: Float32, row: Any) -> None:
    """Fill a row of planes with dense codes times a scale, each pixel so many codes further."""
    for k in range(index(planes.shape[2])):
        first = at + step * k
        planes[RED, row, k] = np.float32(codes[first]) * scale
        planes[GREEN, row, k] = np.float32(codes[first + NEXT]) * scale
        planes[BLUE, row, k] = np.float32(codes[first + TWO]) * scale


@compiled(fast=True)
def _back(codes: Codes, at: Any, step: Any, scale: np.float32, planes: Float32, row: Any) -> None:
    """Do as `_forth`, but fill the row from its end, which begins at a place."""
    last = index(planes.shape[2] - 1)
    for k in range(index(planes.shape[2])):
        first = at + step * k
        planes[RED, row, last - k] = np.float32(codes[first]) * scale
        planes[GREEN, row, last - k] = np.float32(codes[first + NEXT]) * scale
        planes[BLUE, row, last - k] = np.float32(codes[first + TWO]) * scale


@compiled(
    [void(kind[::1], int64, int64, int64, int64, float32, PLANES, int64) for kind in _KINDS],
    fast=True,
)
def scaled_rows(
    codes: Codes,
    first: int,
    down: int,
    along: int,
    rows: int,
    scale: np.float32,
    planes: Float32,
    top: int,
) -> None:
    """Fill rows of planes (3, n, w), from `top` on, with dense codes (m,) times a scale.

    Pixel (row, column) begins at ``first + row * down + column * along``, which is three or four
    codes on or back. So it is done in vectors, which `scaled_planes`, for codes that lie in any
    order, is not.
    """
    back = (planes.shape[2] - 1) * along
    for row in range(rows):
        at, r = first + row * down, index(top + row)
        if along == 3:
            _forth(codes, index(at), index(3), scale, planes, r)
        elif along == 4:
            _forth(codes, index(at), index(4), scale, planes, r)
        elif along == -3:
            _back(codes, index(at + back), index(3), scale, planes, r)
        else:
            _back(codes, index(at + back), index(4), scale, planes, r)


@compiled([void(kind[:, :, :], float32, PLANES, int64) for kind in _KINDS], fast=True)
def scaled_planes(codes: Codes, scale: np.float32, planes: Float32, top: int) -> None:
    """Fill rows of planes (channels, m, w), from `top` on, with codes (n, w, channels or more)."""
    channels, _, columns = planes.shape
    for row in range(len(codes)):
        for channel in range(channels):
            for column in range(columns):
                code = np.float32(codes[row, column, channel])
                planes[channel, top + row, column] = code * scale


@compiled([void(kind[:, :, :], TABLE, PLANES, int64) for kind in _KINDS])
def looked_up_planes(codes: Codes, tables: Float32, planes: Float32, top: int) -> None:
    """Fill rows of planes (channels, m, w) by a table for all channels, or one for each."""
    channels, _, columns = planes.shape
    last = tables.shape[1] - 1
    for row in range(len(codes)):
        for channel in range(channels):
            table = tables[channel if len(tables) > 1 else 0]
            for column in range(columns):
                code = min(codes[row, column, channel], last)
                planes[channel, top + row, column] = table[code]


@compiled(fast=True)
def coded(
    work: Float32, count: int, grey: bool, most: np.float32, scale: np.float32, line: Codes
) -> None:
    """Fill codes (3, n) with values from 0 to `most` times a scale, rounded."""
    half = np.float32(0.5)
    for channel in range(3):
        c, of = index(channel), index(1 if grey else channel)
        for k in range(index(count)):
            line[c, k] = np.int32(min(max(work[of, k], NONE), most) * scale + half)


@compiled(fast=True)
def together(line: Codes, count: int, pixels: Codes, row: int, start: int) -> None:
    """Fill a stretch of rows of pixels (n, w times 3) with codes (3, n)."""
    r, at = index(row), index(3 * start)
    for k in range(index(count)):
        # As one row of numbers three apart: so it is done in vectors.
        first = at + index(3) * k
        pixels[r, first] = line[RED, k]
        pixels[r, first + NEXT] = line[GREEN, k]
        pixels[r, first + TWO] = line[BLUE, k]


@compiled([void(PLANES, k[:, :, ::1], boolean, float32, float32) for k in _KINDS], fast=True)
def interleaved(
    planes: Float32, codes: Codes, grey: bool, most: np.float32, scale: np.float32
) -> None:
    """Fill codes (n, w, 3) with values from 0 to `most` times a scale, rounded.

    `grey` takes the second channel for all.
    """
    _, rows, columns = planes.shape
    pixels = codes.reshape(rows, 3 * columns)
    # First each channel by itself, then all three together: so both are done in vectors.
    line, work = np.empty((3, columns), codes.dtype), np.empty((3, columns), np.float32)
    for row in range(rows):
        taken(planes, row, 0, work, columns)
        coded(work, columns, grey, most, scale, line)
        together(line, columns, pixels, row, 0)
