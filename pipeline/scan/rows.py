"""Pictures whose rows are decoded one after another, however large they are."""

from abc import abstractmethod
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.kinds import Codes, Span
from pipeline.scan.container import OfColour, guarded

_LINES_BYTES = 4 << 20


class RowsInOrder(OfColour):
    """Windows of rows in order; a row before the last ones starts the picture again.

    Parameters
    ----------
    size
        Its columns and rows.
    row_bytes
        Bytes of one row as it is decoded.
    kind
        Type of the codes.
    """

    def __init__(self, path: Path, size: Span, row_bytes: int, kind: "np.dtype[Any]") -> None:
        self._path, self._size, self._kind = path, size, kind
        self._at_once = max(1, _LINES_BYTES // row_bytes)
        self._row = 0
        self._start()

    @property
    def is_done(self) -> bool:
        """Tell whether the last row has been read."""
        return self._row == self._size[1]

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        codes = np.empty((rows[1] - rows[0], columns[1] - columns[0], 3), self._kind)
        with guarded(self._path):
            self.fill(codes, rows, columns)
        return codes

    def fill(self, codes: Codes, rows: Span, columns: Span) -> None:
        """Fill a window; whatever a damaged file makes the decoder raise comes through."""
        if rows[0] < self._row:
            self._start()
            self._row = 0
        while self._row < rows[1]:
            # Rows that nobody wants are passed over apart from those that are.
            until = rows[1] if self._row >= rows[0] else rows[0]
            first, count = self._row, min(self._at_once, until - self._row)
            wanted = codes[first - rows[0] :][:count] if first >= rows[0] else None
            self._next(first, count, columns, wanted)
            self._row = first + count

    @abstractmethod
    def _start(self) -> None:
        """Begin with the first row."""

    @abstractmethod
    def _next(self, first: int, count: int, columns: Span, wanted: Codes | None) -> None:
        """Decode rows from the next one, `first`, on; fill their columns if they are wanted."""
