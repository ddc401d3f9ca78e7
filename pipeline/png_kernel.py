"""The compiled loops that undo the filters of a PNG; importing them loads the compiler."""

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.kinds import Codes

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
