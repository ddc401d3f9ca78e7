"""The compiled loops between code values and planes of light; importing them loads the compiler."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled

Floats = NDArray[np.float32]
Codes = NDArray[Any]

_KINDS = ("uint16", "uint8")
_PLANES = "float32[:,:,::1]"


def _signatures(rest: str) -> list[str]:
    """Return the signatures of a loop over codes, dense or not."""
    return [f"void({kind}[:,:,{step}], {rest})" for kind in _KINDS for step in ("::1", ":")]


@compiled(_signatures(f"float32, {_PLANES}"), fast=True)
def scaled_planes(codes: Codes, scale: np.float32, planes: Floats) -> None:
    """Fill planes (channels, n, w) with codes (n, w, channels or more) times a scale."""
    channels, rows, columns = planes.shape
    for row in range(rows):
        for channel in range(channels):
            for column in range(columns):
                planes[channel, row, column] = np.float32(codes[row, column, channel]) * scale


@compiled(_signatures(f"float32[:,::1], {_PLANES}"))
def looked_up_planes(codes: Codes, tables: Floats, planes: Floats) -> None:
    """Fill planes (channels, n, w) by a table for all channels, or one for each."""
    channels, rows, columns = planes.shape
    last = tables.shape[1] - 1
    for row in range(rows):
        for channel in range(channels):
            table = tables[channel if len(tables) > 1 else 0]
            for column in range(columns):
                planes[channel, row, column] = table[min(codes[row, column, channel], last)]


@compiled(f"void({_PLANES}, uint16[:,:,::1], boolean)", fast=True)
def sixteen_bits(planes: Floats, codes: Codes, grey: bool) -> None:
    """Fill codes (n, w, 3) with values 0 to 1, rounded; `grey` takes the second for all."""
    _, rows, columns = planes.shape
    full, half = np.float32(65535.0), np.float32(0.5)
    none, one = np.float32(0.0), np.float32(1.0)
    for row in range(rows):
        for channel in range(3):
            source = planes[1 if grey else channel, row]
            for column in range(columns):
                value = min(max(source[column], none), one) * full + half
                codes[row, column, channel] = np.uint16(np.int32(value))


@compiled(f"void({_PLANES}, {_PLANES}, int64[::1], float32[::1])", fast=True)
def gathered(source: Floats, sums: Floats, targets: Codes, shares: Floats) -> None:
    """Add a share of each row of `source` to a row of `sums`, and the rest to the row below."""
    channels, rows, columns = source.shape
    for channel in range(channels):
        for row in range(rows):
            line, share = source[channel, row], shares[row]
            target = sums[channel, targets[row]]
            for column in range(columns):
                target[column] += share * line[column]
            rest = np.float32(1.0) - share
            if rest > np.float32(0.0):
                below = sums[channel, targets[row] + 1]
                for column in range(columns):
                    below[column] += rest * line[column]


@compiled(f"void({_PLANES}, {_PLANES}, int64[::1], float32[::1], float32)", fast=True)
def narrowed(
    source: Floats, result: Floats, firsts: Codes, parts: Floats, scale: np.float32
) -> None:
    """Fill rows of `result` with sums over runs of columns of `source`, times a scale.

    Run k begins at the share ``parts[k]`` of column ``firsts[k]``, and ends where the next begins.
    """
    channels, rows, columns = result.shape
    for channel in range(channels):
        for row in range(rows):
            line = source[channel, row]
            for column in range(columns):
                first, last = firsts[column], firsts[column + 1]
                total = (np.float32(1.0) - parts[column]) * line[first]
                for at in range(first + 1, last):
                    total += line[at]
                if parts[column + 1] > np.float32(0.0):
                    total += parts[column + 1] * line[last]
                result[channel, row, column] = total * scale
