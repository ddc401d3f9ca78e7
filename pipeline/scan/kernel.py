"""The compiled loops that reduce scans and undo a PNG's filters; they load the compiler."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.kinds import Codes

Sums = NDArray[Any]

_MEMORY = [f"{kind}[::1]" for kind in ("uint16", "uint8")]
_SUMS = ("uint32", "float32")


@compiled(fast=True)
def _add(
    row: Codes, pixel: int, tables: Sums, full: Any, samples: int, sums: Sums, hits: Codes
) -> None:
    """Add a row of codes to sums, or their light by tables, and count those at full scale."""
    if not tables.shape[1]:
        for at in range(len(sums)):
            sums[at] += row[at]
            hits[at] += np.uint32(row[at] >= full)
        return
    last = np.uint32(tables.shape[1] - 1)
    for channel in range(samples):
        table = tables[min(channel, len(tables) - 1)]
        for at in range(channel, len(sums), pixel):
            code = np.uint32(row[at])
            sums[at] += table[min(code, last)]
            hits[at] += np.uint32(code >= full)


@compiled(fast=True)
def _across(
    sums: Sums,
    hits: Codes,
    pixel: int,
    factor: int,
    scale: float,
    means: Sums,
    mask: Codes,
    counts: Codes,
) -> None:
    """Fill a row of means (n, samples) and its mask with the sums of blocks, times a scale."""
    columns, samples = means.shape
    width = (len(sums) - samples) // pixel + 1
    for column in range(columns):
        first, last = column * factor, min((column + 1) * factor, width)
        clipped = np.uint32(0)
        for sample in range(samples):
            total, struck = 0.0, np.uint32(0)
            for at in range(first * pixel + sample, last * pixel + sample, pixel):
                total += sums[at]
                struck += hits[at]
            means[column, sample] = total * scale / (last - first)
            counts[sample] += struck
            clipped += struck
        mask[column] = clipped > 0


_OUT = "uint32, float64, float32[:,:,::1], boolean[:,::1], int64[::1]"


@compiled(
    [
        f"void({memory}, int64, int64, int64, int64, {sums}[:,::1], {_OUT})"
        for memory in _MEMORY
        for sums in _SUMS
    ],
    fast=True,
)
def reduce_codes(
    codes: Codes,
    rows: int,
    down: int,
    pixel: int,
    factor: int,
    tables: Sums,
    full: Any,
    scale: float,
    means: Sums,
    mask: Codes,
    counts: Codes,
) -> None:
    """Average codes or their light over blocks of factor x factor, at the ends what is there.

    Parameters
    ----------
    codes
        The memory (n,) from the first sample to the last; rows begin every `down` codes, pixels
        every `pixel`, which may be more than the samples that count.
    tables
        Light of each code, float32, one for all samples or one for each; of no length and of
        uint32 where codes themselves are averaged.
    full, scale
        The code that counts as clipped; by what means are multiplied.
    means, mask, counts
        (rows / factor, columns / factor, samples) and as many flags without samples, filled;
        clipped codes of each sample, added.
    """
    length = len(codes) - (rows - 1) * down
    sums, hits = np.empty(length, tables.dtype), np.empty(length, np.uint32)
    for out in range(len(means)):
        sums[:] = 0
        hits[:] = 0
        top, bottom = out * factor, min((out + 1) * factor, rows)
        for row in range(top, bottom):
            line = codes[row * down : row * down + length]
            _add(line, pixel, tables, full, means.shape[2], sums, hits)
        _across(sums, hits, pixel, factor, scale / (bottom - top), means[out], mask[out], counts)


Bytes = NDArray[np.uint8]

_NONE, _SUB, _UP, _AVERAGE, _PAETH = range(5)


@compiled("boolean(uint8[:,::1], uint8[::1], int64)")
def unfilter(lines: Bytes, above: Bytes, pixel: int) -> bool:
    """Undo the filters of lines (n, 1 + bytes) in place; tell whether all are known.

    Parameters
    ----------
    lines
        Lines as they unfold: the filter's number, then bytes (PNG, third edition, 9.2).
    above
        Bytes of the line before; those of the last line when done.
    pixel
        Bytes of one pixel.
    """
    wide = lines.shape[1] - 1
    for row in range(lines.shape[0]):
        kind, line = lines[row, 0], lines[row, 1:]
        if kind > _PAETH:
            return False
        if kind == _SUB:
            for at in range(pixel, wide):
                line[at] = np.uint8(line[at] + line[at - pixel])
        elif kind == _UP:
            for at in range(wide):
                line[at] = np.uint8(line[at] + above[at])
        elif kind == _AVERAGE:
            for at in range(pixel):
                line[at] = np.uint8(line[at] + (above[at] >> 1))
            for at in range(pixel, wide):
                mean = (np.int32(line[at - pixel]) + np.int32(above[at])) >> 1
                line[at] = np.uint8(line[at] + mean)
        elif kind == _PAETH:
            for at in range(pixel):
                line[at] = np.uint8(line[at] + above[at])
            for at in range(pixel, wide):
                a, b, c = (
                    np.int64(line[at - pixel]),
                    np.int64(above[at]),
                    np.int64(above[at - pixel]),
                )
                # Distances of a + b - c from each; the nearest is taken without a jump.
                to_a, to_b, to_c = abs(b - c), abs(a - c), abs(a + b - c - c)
                far = -np.int64(to_b < to_a)
                near, least = (a & ~far) | (b & far), (to_a & ~far) | (to_b & far)
                far = -np.int64(to_c < least)
                line[at] = np.uint8(line[at] + ((near & ~far) | (c & far)))
        above[:] = line
    return True


@compiled("void(uint8[:,::1], int64, int64, uint16[:,:,::1])")
def codes_of_two_bytes(lines: Bytes, left: int, samples: int, codes: Codes) -> None:
    """Fill codes (n, w, 3) from column `left` on, from lines of so many samples of two bytes."""
    for row in range(codes.shape[0]):
        for column in range(codes.shape[1]):
            at = 1 + (left + column) * samples * 2
            for channel in range(3):
                high, low = lines[row, at + 2 * channel], lines[row, at + 2 * channel + 1]
                codes[row, column, channel] = np.uint16((np.uint16(high) << 8) | np.uint16(low))
