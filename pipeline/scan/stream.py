"""Compressed strips unfolded row by row, never more than is asked for."""

from collections.abc import Iterator
from copy import copy
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

from pipeline.kinds import Codes, Span
from pipeline.scan.container import DamageError, broken
from pipeline.scan.decoders import Decoder, decoder_of, is_unfolded, may_lack_end

_MOST_AT_ONCE = 1 << 20
# TIFF 6.0, section 14: differences of columns.
_DIFFERENCES = 2
# TIFF technical note 2.
JPEG = 7
# ITU-T T.81, B.1.1.3, and T.872, 6.5.3: what begins and ends a stream; a segment of a program's
# own that says that samples are not luma and chroma.
_JPEG_START, _JPEG_END = b"\xff\xd8", b"\xff\xd9"
_JPEG_OF_RGB = b"\xff\xee\0\x0eAdobe\0\x64\0\0\0\0\0"
_PIECE_BYTES = 256 << 10
_PASSED_BYTES = 4 << 20
# Smaller strips are decoded in one piece, which is as fast and keeps nothing open.
_LEAST_BYTES = 16 << 20


class DataEndError(DamageError):
    """Compressed data end before all that was asked for."""


class Unfolded:
    """Bytes that pieces of one compressed stream unfold to, deflated if no decoder is given."""

    def __init__(self, pieces: Iterator[bytes], stream: Decoder | None = None) -> None:
        self.pieces, self._left = pieces, b""
        self._stream: Decoder = stream or isal_zlib.decompressobj()

    def __copy__(self) -> "Unfolded":
        """Return what goes on by itself from here, of pieces and a decoder that can."""
        other = Unfolded(copy(self.pieces), copy(self._stream))
        other._left = self._left
        return other

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
        while not self._stream.eof:
            # Without input it gives what it holds back.
            got: bytes = self._stream.decompress(self._left, most)
            self._left = self._stream.unconsumed_tail
            if got:
                return got
            if not self._left:
                self._left = next(self.pieces, b"")
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
        self._path, self._file, self._place = path, file, place
        self._shape, self._stored, self._differences = shape, stored, differences
        self._padded, self._scheme = padded or may_lack_end(scheme), scheme
        self._start()

    @property
    def is_done(self) -> bool:
        """Tell whether the last row has been read."""
        return self._row == self._shape[0]

    def _start(self) -> None:
        self._bytes, self._row = Unfolded(self._pieces(), decoder_of(self._scheme)), 0

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
        if self.is_done and not (self._bytes.end() or self._padded):
            raise broken(self._path, "is damaged (a strip does not end where its rows do)")
        return codes


class JpegStrip:
    """Rows of one strip that is a JPEG, in order; a row before the last ones starts it again.

    Parameters
    ----------
    data, tables
        The JPEG, and the tables that it shares with others; either is a whole stream.
    size
        Its columns and rows.
    is_rgb
        Whether its samples are red, green and blue, unless it says itself what they are.
    """

    def __init__(
        self, path: Path, data: bytes, tables: bytes | None, size: Span, is_rgb: bool
    ) -> None:
        from pipeline.scan.jpeg import JpegRows

        shared = tables[len(_JPEG_START) : -len(_JPEG_END)] if tables else b""
        said = _JPEG_OF_RGB if is_rgb else b""
        whole = b"".join((_JPEG_START, said, shared, data[len(_JPEG_START) :]))
        self._rows, self._size, self.is_done = JpegRows(path, size, whole), size, False

    def rows(self, span: Span) -> Codes:
        """Return rows of the strip, shape (rows, columns, 3)."""
        self.is_done = span[1] == self._size[1]
        return self._rows.codes(span, (0, self._size[0]))


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
