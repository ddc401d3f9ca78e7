"""Deflated data unfolded in order, a piece at a time: bytes, or rows of a large strip of a TIFF."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

from pipeline.container import broken
from pipeline.kinds import Codes, Span

_MOST_AT_ONCE = 1 << 20
# TIFF 6.0, section 14 and technical note 2: deflate, its older number, and differences of columns.
_DEFLATE, _DIFFERENCES = (8, 32946), 2
_PIECE_BYTES = 256 << 10
_PASSED_BYTES = 4 << 20
# Smaller strips are decoded in one piece, which is as fast and keeps nothing open.
_LEAST_BYTES = 16 << 20


class DataEndError(Exception):
    """Deflated data end before all that was asked for."""


class Inflated:
    """Bytes that pieces of one deflated stream (RFC 1950) unfold to."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces, self._left = pieces, b""
        self._stream = isal_zlib.decompressobj()

    def fill(self, target: NDArray[np.uint8]) -> None:
        """Fill a dense array with the next bytes.

        Raises
        ------
        DataEndError
            There are not so many.
        isal.isal_zlib.error
            They are damaged.
        """
        flat = target.reshape(-1)
        at = 0
        while at < len(flat):
            got = self._next(min(len(flat) - at, _MOST_AT_ONCE))
            if not got:
                raise DataEndError("its data end too early")
            flat[at : at + len(got)] = np.frombuffer(got, np.uint8)
            at += len(got)

    def end(self) -> bool:
        """Read up to the end of the stream and its check; tell whether nothing came before it."""
        return not self._next(1) and bool(self._stream.eof)

    def _next(self, most: int) -> bytes:
        """Return up to so many bytes; none at the end."""
        while not self._stream.eof:
            # Without input it gives what it holds back.
            got: bytes = self._stream.decompress(self._left, most)
            self._left = self._stream.unconsumed_tail
            if got:
                return got
            if not self._left:
                self._left = next(self._pieces, b"")
            if not self._left:
                break
        return b""


class StripStream:
    """Rows of one strip in order; a row before the last ones starts it again.

    Parameters
    ----------
    file, place
        The open file, and where in it the strip starts and ends.
    shape
        Rows, columns and samples of the strip.
    stored
        Type of the codes as stored.
    differences
        Whether they are differences of columns.
    padded
        Whether data may go on after the last row, as those of the last strip may.
    """

    def __init__(
        self,
        path: Path,
        file: Any,
        place: Span,
        shape: tuple[int, int, int],
        stored: np.dtype[Any],
        differences: bool,
        padded: bool,
    ) -> None:
        self._path, self._file, self._place = path, file, place
        self._shape, self._stored, self._differences = shape, stored, differences
        self._padded = padded
        self._start()

    def _start(self) -> None:
        self._bytes, self._row = Inflated(self._pieces()), 0

    def _pieces(self) -> Iterator[bytes]:
        """Yield the strip as stored, a piece at a time."""
        for at in range(*self._place, _PIECE_BYTES):
            self._file.seek(at)
            wanted = min(_PIECE_BYTES, self._place[1] - at)
            piece: bytes = self._file.read(wanted)
            if len(piece) != wanted:
                raise broken(self._path, "is cut short")
            yield piece

    def rows(self, span: Span) -> Codes:
        """Return rows of the strip, shape (rows, columns, samples), in this machine's order."""
        if span[0] < self._row:
            self._start()
        row_bytes = self._shape[1] * self._shape[2] * self._stored.itemsize
        passed = max(1, _PASSED_BYTES // row_bytes)
        while self._row < span[0]:
            self._next(min(passed, span[0] - self._row))
        codes = self._next(span[1] - span[0]).astype(self._stored.newbyteorder("="), copy=False)
        if self._differences:
            imagecodecs.delta_decode(codes, axis=1, out=codes)
        return codes

    def _next(self, count: int) -> Codes:
        """Return rows as they unfold; with the last the strip has to end, and fit its check."""
        codes = np.empty((count, *self._shape[1:]), self._stored)
        self._bytes.fill(codes.view(np.uint8))
        self._row += count
        if self._row == self._shape[0] and not (self._bytes.end() or self._padded):
            raise broken(self._path, "is damaged (a strip does not end where its rows do)")
        return codes


def is_streamed(ifd: Any, strip_bytes: int) -> bool:
    """Tell whether strips of so many bytes of a TIFF's directory are unfolded row by row."""
    whole_bytes = ifd.bitspersample == 8 * np.dtype(ifd.dtype).itemsize
    differences = ifd.predictor == _DIFFERENCES and np.dtype(ifd.dtype).kind == "u"
    return bool(
        strip_bytes >= _LEAST_BYTES
        and ifd.compression in _DEFLATE
        and (ifd.predictor == 1 or differences)
        and ifd.fillorder == 1
        and not ifd.is_tiled
        and whole_bytes
    )
