"""Compressed strips unfolded row by row, never more than is asked for."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Codes, Span
from pipeline.scan.container import DamageError, broken
from pipeline.scan.decoders import DEFLATE, Decoder, decoder_of, is_unfolded, may_lack_end
from pipeline.scan.rows import RowsInOrder

_MOST_AT_ONCE = 1 << 20
# TIFF 6.0, section 14: differences of columns.
_DIFFERENCES = 2
# TIFF technical note 2.
JPEG = 7
_PIECE_BYTES = 256 << 10
# Smaller strips are decoded in one piece, which is as fast and keeps nothing open.
_LEAST_BYTES = 16 << 20


class DataEndError(DamageError):
    """Compressed data end before all that was asked for."""


class Unfolded:
    """Bytes that pieces of one compressed stream unfold to, deflated if no decoder is given."""

    def __init__(self, pieces: Iterator[bytes], stream: Decoder | None = None) -> None:
        self.pieces, self._stream = pieces, stream or decoder_of(DEFLATE)

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

    def pass_over(self, count: int) -> None:
        """Unfold so many bytes that nobody wants; there may be fewer."""
        while count and (got := self._next(min(count, _MOST_AT_ONCE))):
            count -= len(got)

    def end(self) -> bool:
        """Read up to the end of the stream and its check; tell whether nothing came before it."""
        return not self._next(1) and bool(self._stream.eof)

    def _next(self, most: int) -> bytes:
        """Return up to so many bytes; none at the end."""
        piece = b""
        while not self._stream.eof:
            # Without input it gives what it holds back.
            got = self._stream.decompress(piece, most)
            if got:
                return got
            piece = next(self.pieces, b"")
            if not piece:
                break
        return b""


class StripStream(RowsInOrder):
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
    scheme
        How they are compressed, a number of TIFF.
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
        scheme: int,
    ) -> None:
        self._file, self._place = file, place
        self._shape, self._stored, self._differences = shape, stored, differences
        self._padded, self._scheme = padded or may_lack_end(scheme), scheme
        row_bytes = shape[1] * shape[2] * stored.itemsize
        super().__init__(path, (shape[1], shape[0]), row_bytes, stored.newbyteorder("="))

    def _start(self) -> None:
        self._bytes = Unfolded(self._pieces(), decoder_of(self._scheme))

    def _pieces(self) -> Iterator[bytes]:
        """Yield the strip as stored, a piece at a time."""
        for at in range(*self._place, _PIECE_BYTES):
            self._file.seek(at)
            wanted = min(_PIECE_BYTES, self._place[1] - at)
            piece: bytes = self._file.read(wanted)
            if len(piece) != wanted:
                raise broken(self._path, "is cut short")
            yield piece

    def _next(self, first: int, count: int, columns: Span, wanted: Codes | None) -> None:
        lines = np.empty((count, *self._shape[1:]), self._stored)
        self._bytes.fill(lines.view(np.uint8))
        # With its last row the strip has to end, and fit its check.
        is_last = first + count == self._shape[0]
        if is_last and not (self._bytes.end() or self._padded):
            raise broken(self._path, "is damaged (a strip does not end where its rows do)")
        if wanted is not None:
            codes = lines.astype(self._kind, copy=False)
            if self._differences:
                imagecodecs.delta_decode(codes, axis=1, out=codes)
            wanted[:] = codes[:, slice(*columns)]


def is_streamed(ifd: Any, strip_bytes: int) -> bool:
    """Tell whether strips of so many bytes of a TIFF's directory are unfolded row by row."""
    if ifd.compression == JPEG:
        layout = ifd.samplesperpixel, ifd.planarconfig, ifd.bitspersample
        return strip_bytes >= _LEAST_BYTES and not ifd.is_tiled and layout == (3, 1, 8)
    whole_bytes = ifd.bitspersample == 8 * np.dtype(ifd.dtype).itemsize
    differences = ifd.predictor == _DIFFERENCES and np.dtype(ifd.dtype).kind == "u"
    return bool(
        strip_bytes >= _LEAST_BYTES
        and is_unfolded(ifd.compression)
        and (ifd.predictor == 1 or differences)
        and ifd.fillorder == 1
        and not ifd.is_tiled
        and whole_bytes
    )
