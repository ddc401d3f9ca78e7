"""The rows of a PNG in order, with little memory."""

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

from pipeline.container import OfColour, Page, broken, guarded
from pipeline.deflate_stream import Inflated
from pipeline.kinds import Codes, Span

_PIECE_BYTES = 256 << 10
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
        from pipeline.png_kernel import unfilter

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
        from pipeline.png_kernel import codes_of_two_bytes

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
