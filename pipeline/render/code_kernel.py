"""The compiled loops between code values and planes of light; importing them loads the compiler."""

import numpy as np

from pipeline.compiled import compiled, index
from pipeline.kinds import Codes, Float32
from pipeline.render.scene_kernel import taken

_KINDS = ("uint16", "uint8")
_PLANES = "float32[:,:,::1]"

EIGHT_BITS, SIXTEEN_BITS = np.float32(255.0), np.float32(65535.0)
"""Full scale of codes."""


def _signatures(rest: str) -> list[str]:
    """Return the signatures of a loop over codes, dense or not: it makes no difference in time."""
    return [f"void({kind}[:,:,:], {rest})" for kind in _KINDS]


@compiled(_signatures(f"float32, {_PLANES}"), fast=True)
def scaled_planes(codes: Codes, scale: np.float32, planes: Float32) -> None:
    """Fill planes (channels, n, w) with codes (n, w, channels or more) times a scale."""
    channels, rows, columns = planes.shape
    for row in range(rows):
        for channel in range(channels):
            for column in range(columns):
                planes[channel, row, column] = np.float32(codes[row, column, channel]) * scale


@compiled(_signatures(f"float32[:,::1], {_PLANES}"))
def looked_up_planes(codes: Codes, tables: Float32, planes: Float32) -> None:
    """Fill planes (channels, n, w) by a table for all channels, or one for each."""
    channels, rows, columns = planes.shape
    last = tables.shape[1] - 1
    for row in range(rows):
        for channel in range(channels):
            table = tables[channel if len(tables) > 1 else 0]
            for column in range(columns):
                planes[channel, row, column] = table[min(codes[row, column, channel], last)]


@compiled(fast=True)
def coded(
    work: Float32, count: int, grey: bool, most: np.float32, scale: np.float32, line: Codes
) -> None:
    """Fill codes (3, n) with values from 0 to `most` times a scale, rounded."""
    none, half = np.float32(0.0), np.float32(0.5)
    for channel in range(3):
        c, of = index(channel), index(1 if grey else channel)
        for k in range(index(count)):
            line[c, k] = np.int32(min(max(work[of, k], none), most) * scale + half)


@compiled(fast=True)
def together(line: Codes, count: int, pixels: Codes, row: int, start: int) -> None:
    """Fill a stretch of pixels (n, w, 3) with codes (3, n)."""
    red, green, blue, at = index(0), index(1), index(2), index(start)
    r = index(row)
    for k in range(index(count)):
        pixels[r, at + k, red] = line[red, k]
        pixels[r, at + k, green] = line[green, k]
        pixels[r, at + k, blue] = line[blue, k]


@compiled([f"void({_PLANES}, {k}[:,:,::1], boolean, float32, float32)" for k in _KINDS], fast=True)
def interleaved(
    planes: Float32, codes: Codes, grey: bool, most: np.float32, scale: np.float32
) -> None:
    """Fill codes (n, w, 3) with values from 0 to `most` times a scale, rounded.

    `grey` takes the second channel for all.
    """
    _, rows, columns = planes.shape
    # First each channel by itself, then all three together: so both are done in vectors.
    line, work = np.empty((3, columns), codes.dtype), np.empty((3, columns), np.float32)
    for row in range(rows):
        taken(planes, row, 0, work, columns)
        coded(work, columns, grey, most, scale, line)
        together(line, columns, codes, row, 0)


@compiled(fast=True)
def _add(source: Float32, row: int, sums: Float32, share: np.float32, begin: bool) -> None:
    """Add a share of a row to sums (channels, w), or begin them with it."""
    channels, _, columns = source.shape
    r, kept = index(row), np.float32(0.0 if begin else 1.0)
    for channel in range(channels):
        c = index(channel)
        for k in range(index(columns)):
            sums[c, k] = kept * sums[c, k] + share * source[c, r, k]


@compiled(fast=True)
def _narrow(sums: Float32, result: Float32, row: int, firsts: Codes, weights: Float32) -> None:
    """Fill a row of the result with weighted sums of neighbours, from `firsts` on."""
    channels, _, columns = result.shape
    r = index(row)
    for channel in range(channels):
        c = index(channel)
        for k in range(index(columns)):
            result[c, r, k] = np.float32(0.0)
        for tap in range(len(weights)):
            t = index(tap)
            for k in range(index(columns)):
                result[c, r, k] += weights[t, k] * sums[c, index(firsts[k]) + t]


@compiled(
    f"void({_PLANES}, float32[:,::1], {_PLANES}, boolean[::1], float32[::1], int32[::1],"
    " float32[:,::1])",
    fast=True,
)
def area_means(
    source: Float32,
    sums: Float32,
    result: Float32,
    ends: Codes,
    shares: Float32,
    firsts: Codes,
    weights: Float32,
) -> None:
    """Fill `result` with the rows of area means that rows of `source` complete.

    Parameters
    ----------
    source, result
        Planes (channels, n, w), and those of the smaller picture.
    sums
        (channels, w) of what belongs to the row that is not complete yet; kept up.
    ends, shares
        (n): whether a row ends one of the smaller picture, and its share above that border.
    firsts, weights
        For each column of the smaller picture the first that it draws on, and the weights (taps,
        columns) of it and the next ones.
    """
    out = 0
    for row in range(source.shape[1]):
        _add(source, row, sums, shares[row], False)
        if ends[row]:
            _narrow(sums, result, out, firsts, weights)
            _add(source, row, sums, np.float32(1.0) - shares[row], True)
            out += 1
