"""Rows that lie in an open file as they are."""

import os
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.kinds import Codes
from pipeline.scan.container import broken

_BLOCK_BYTES = 4 << 20
# One call of the system instead of two, without a buffer between.
_READS_AT_PLACES = hasattr(os, "preadv")


@dataclass(frozen=True)
class StoredRows:
    """Dense rows of an open file.

    `stored` is the type of the codes in the file, in its byte order. `turn` keeps threads that
    share the file apart, on systems where reading moves it.
    """

    path: Path
    file: Any
    stored: np.dtype[Any]
    turn: AbstractContextManager[object] = field(default_factory=nullcontext)

    def fill(self, codes: Codes, start: int, row_bytes: int) -> None:
        """Fill rows that begin every `row_bytes` from `start`, in blocks if they're whole.

        Raises
        ------
        ScanProblem
            The file ends before.
        """
        own_order = self.stored == codes.dtype and codes[0].flags.c_contiguous
        wanted = codes[0].size * codes.dtype.itemsize
        whole = wanted == row_bytes and codes.flags.c_contiguous
        if own_order and not whole and codes.flags.c_contiguous and _READS_AT_PLACES:
            self._fill_dense(codes, start, row_bytes, wanted)
            return
        at_once = max(1, _BLOCK_BYTES // row_bytes) if whole else 1
        buffer = np.empty((min(at_once, len(codes)), *codes.shape[1:]), self.stored)
        for row in range(0, len(codes), at_once):
            place = codes[row : row + at_once]
            block = place if own_order else buffer[: len(place)]
            if self._read_into(block, start + row * row_bytes) != block.nbytes:
                raise broken(self.path, "is cut short")
            if block is not place:
                place[...] = block

    def _fill_dense(self, codes: Codes, start: int, row_bytes: int, wanted: int) -> None:
        """Fill parts of rows that follow one another in memory, with as little as can be a row."""
        target, file = codes.reshape(-1).view(np.uint8).data, self.file.fileno()
        for first in range(0, len(target), wanted):
            if os.preadv(file, [target[first : first + wanted]], start) != wanted:
                raise broken(self.path, "is cut short")
            start += row_bytes

    def _read_into(self, block: Codes, start: int) -> int:
        """Fill a dense array with the bytes from a place in the file; return how many came."""
        target = block.reshape(-1).view(np.uint8)
        if _READS_AT_PLACES:
            return os.preadv(self.file.fileno(), [target.data], start)
        with self.turn:
            self.file.seek(start)
            return int(self.file.readinto(target))
