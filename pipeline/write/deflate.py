"""Strips of a picture as zlib streams, packed as suits grain: bytes by how often they come up."""

import sys
from typing import Any

import numpy as np
from numpy.typing import NDArray

_TABLE = 1 << 16
# A code has 12 bits at the most; head and end of a stream take less than two hundred bytes.
_MOST_BITS_A_BYTE, _MORE_WORDS = 12, 64


def differences_of(rows: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Return the differences along rows (TIFF 6.0, section 14), little-endian."""
    told = np.diff(rows, axis=1, prepend=np.uint16(0))
    return np.ascontiguousarray(told, "<u2")


def searched(differences: Any) -> memoryview:
    """Return differences as a zlib stream, packed by a library for speed.

    Level 1 packs grain no worse than level 6 does.
    """
    from isal import isal_zlib

    return memoryview(isal_zlib.compress(memoryview(differences).cast("B"), 1))


class Deflate:
    """Rows of 16 bit samples in, zlib streams (RFC 1950) of their differences out.

    In grain a search for bytes that were there before finds none: each byte gets a code by how
    often it comes up. What is flat is packed by a library, at level 1, which searches.
    """

    def __init__(self) -> None:
        """Make room for what is used for all strips."""
        self._table = np.empty(_TABLE, np.uint32)
        self._words = np.empty(0, np.uint64)

    def packed(self, rows: NDArray[np.uint16]) -> memoryview:
        """Return the differences of rows (n, w, samples), packed; good until the next are."""
        from pipeline.write.deflate_kernel import packed_rows

        most = 2 * rows.size * _MOST_BITS_A_BYTE // 64 + _MORE_WORDS
        if len(self._words) < most:
            self._words = np.empty(most, np.uint64)
        flat = np.ascontiguousarray(rows).reshape(len(rows), -1)
        count = packed_rows(flat, rows.shape[2], self._table, self._words)
        if not count:
            return searched(differences_of(rows))
        words = self._words if sys.byteorder == "little" else self._words.byteswap()
        return words.view(np.uint8).data[:count]
