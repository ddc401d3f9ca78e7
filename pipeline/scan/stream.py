"""Deflated strips and PNG unfolded row by row, never more than is asked for."""

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

from pipeline.kinds import Codes, Span
from pipeline.scan.container import OfColour, Page, broken, guarded

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

    @property
    def is_done(self) -> bool:
        """Tell whether the last row has been read."""
        return self._row == self._shape[0]

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
        if self.is_done and not (self._bytes.end() or self._padded):
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


_LINES_BYTES = 2 << 20
# PNG, third edition, 5.2, 5.3 and 11.2.1: chunks begin after the signature, with the header: width,
# height, bits, kind of colour and, as its last byte, whether rows are interlaced.
_SIGNATURE_BYTES, _HEADER_AT, _INTERLACE_AT = 8, 16, 28


def is_interlaced(file: BinaryIO) -> bool:
    """Tell whether the rows of an open PNG come in several passes."""
    file.seek(_INTERLACE_AT)
    return file.read(1) != b"\0"


class PngRows(OfColour):
    """Windows of an open PNG of rows in order; a row before the last ones starts it again."""

    def __init__(self, path: Path, file: BinaryIO, page: Page) -> None:
        self._path, self._file = path, file
        self._width, self._height, self._samples = page.width, page.height, page.samples
        self._sample_bytes = page.bits // 8
        said = struct.pack(">IIB", page.width, page.height, page.bits)
        file.seek(_HEADER_AT)
        if file.read(len(said)) != said:
            raise broken(path, "is not the picture it says it is")
        self._start()

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        with guarded(self._path):
            return self._codes(rows, columns)

    def _codes(self, rows: Span, columns: Span) -> Codes:
        """Unfold a window; whatever a damaged file makes the decoder raise comes through."""
        if rows[0] < self._row:
            self._start()
        kind = np.uint8 if self._sample_bytes == 1 else np.uint16
        codes = np.empty((rows[1] - rows[0], columns[1] - columns[0], 3), kind)
        at_once = max(1, _LINES_BYTES // (self._width * self._samples * self._sample_bytes))
        while self._row < rows[1]:
            # Rows that nobody wants are passed over apart from those that are.
            until = rows[1] if self._row >= rows[0] else rows[0]
            first, lines = self._row, self._lines(min(at_once, until - self._row))
            if first >= rows[0]:
                part = codes[first - rows[0] : self._row - rows[0]]
                self._convert(lines, columns[0], part)
        return codes

    def _start(self) -> None:
        self._file.seek(_SIGNATURE_BYTES)
        self._packed = _joined(self._chunks())
        self._bytes, self._row = Inflated(self._packed), 0
        self._above = np.zeros(self._width * self._samples * self._sample_bytes, np.uint8)

    def _lines(self, count: int) -> NDArray[np.uint8]:
        """Return the next lines without their filters."""
        from pipeline.scan.kernel import unfilter

        lines = np.empty((count, 1 + len(self._above)), np.uint8)
        self._bytes.fill(lines)
        if not unfilter(lines, self._above, self._samples * self._sample_bytes):
            raise broken(self._path, "is damaged (it has rows of an unknown filter)")
        self._row += count
        if self._row == self._height:
            self._bytes.end()
            # The check of the last chunk comes after its data.
            for _ in self._packed:
                pass
        return lines

    def _convert(self, lines: NDArray[np.uint8], left: int, codes: Codes) -> None:
        """Fill codes (n, w, 3) from lines, from column `left` on."""
        from pipeline.scan.kernel import codes_of_two_bytes

        if self._sample_bytes == 2:
            codes_of_two_bytes(lines, left, self._samples, codes)
            return
        pixels = lines[:, 1:].reshape(len(lines), self._width, self._samples)
        codes[:] = pixels[:, left : left + codes.shape[1], :3]

    def _chunks(self) -> Iterator[bytes]:
        """Yield the data of the picture's chunks, which follow one another."""
        self._file.seek(_SIGNATURE_BYTES)
        begun = False
        while True:
            size, name = struct.unpack(">I4s", self._read(8))
            if name == b"IDAT":
                begun = True
                yield from self._checked(size, zlib.crc32(name))
            elif begun or name == b"IEND":
                return
            else:
                self._file.seek(size + 4, 1)

    def _checked(self, size: int, check: int) -> Iterator[bytes]:
        """Yield the data of a chunk, whose check goes on from that of its name."""
        for at in range(0, size, _PIECE_BYTES):
            piece = self._read(min(_PIECE_BYTES, size - at))
            check = isal_zlib.crc32(piece, check)
            yield piece
        if self._read(4) != struct.pack(">I", check):
            raise broken(self._path, "is damaged (a chunk does not fit its check)")

    def _read(self, count: int) -> bytes:
        got = self._file.read(count)
        if len(got) != count:
            raise broken(self._path, "is cut short")
        return got


def _joined(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Yield pieces of a size that is unfolded fast; chunks are often of a few kilobytes."""
    held: list[bytes] = []
    size = 0
    for piece in pieces:
        held.append(piece)
        size += len(piece)
        if size >= _PIECE_BYTES:
            yield b"".join(held)
            held, size = [], 0
    yield b"".join(held)
