"""PNG: what it says of itself; unfolded row by row, interlaced or not."""

import os
import struct
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray
from PIL import PngImagePlugin

from pipeline.kinds import Codes, Span
from pipeline.scan.container import MUCH_BYTES, Container, Page, Reader, broken, guarded
from pipeline.scan.encoding import Encoding, power, srgb
from pipeline.scan.picture import PICTURE, stated
from pipeline.scan.rows import RowsInOrder
from pipeline.scan.stream import Unfolded
from pipeline.scan.whole import OTHER_PICTURE, page_of, whole_reader

_PIECE_BYTES = 256 << 10
# PNG, third edition, 5.2, 5.3 and 11.2.1: chunks begin after the signature, with the header: width,
# height, bits, kind of colour and, as its last byte, whether rows are interlaced.
_SIGNATURE_BYTES, _HEADER_AT, _INTERLACE_AT = 8, 16, 28
# PNG, third edition, 11.2.1: channels of each colour type, and the type of a palette.
_PNG_CHANNELS, _PALETTE = {0: 1, 2: 3, 4: 1, 6: 4}, 3
_FEW_COLOURS = "has a palette of 256 colours at the most: save it with all its colours"
_PNG_END = b"IEND\xaeB`\x82"
# Chunks of a PNG are often of a few kilobytes.
_BUFFER_BYTES = 256 << 10


def png_pages(path: Path) -> tuple[Page, ...]:
    """Describe the picture of a PNG; its alpha channel is ignored.

    Raises
    ------
    ScanProblem
        The file is damaged or cut short, or not RGB.
    """
    with guarded(path), path.open("rb") as handle:
        # The plug-in itself, since the front door warns of pictures larger than a screen.
        picture = PngImagePlugin.PngImageFile(handle)
        handle.seek(24)
        bits, kind = handle.read(2)
        handle.seek(max(0, path.stat().st_size - 1024))
        if _PNG_END not in handle.read():
            raise broken(path, "is cut short")
        info, own = picture.info, _png_curve(picture.info)
        coded = stated(path, _png_transfer(handle))
        if coded is not None:
            info, own = {**info, "icc_profile": None}, coded
        if kind == _PALETTE:
            return (page_of(path, PICTURE, picture.size, info, 8, 3, own, (_FEW_COLOURS,)),)
        size, channels = picture.size, _PNG_CHANNELS[kind]
        return (page_of(path, _PNG, size, info, bits, channels, own),)


@contextmanager
def _open_png(path: Path, page: Page, in_order: bool = False) -> Iterator[Reader]:
    """Decode a PNG row by row, or as a whole where a small one is not read in order."""
    with ExitStack() as stack:
        with guarded(path):
            small = page.width * page.height * page.samples * page.bits // 8 < MUCH_BYTES
            if small and not in_order:
                decoded = np.asarray(imagecodecs.png_decode(path.read_bytes()))
                reader: Reader = whole_reader(path, page, decoded)
            else:
                file = stack.enter_context(path.open("rb", buffering=_BUFFER_BYTES))
                reader = PngRows(path, file, page)
        yield reader


_PNG = Container(_open_png)


def _png_curve(info: dict[Any, Any]) -> Encoding | None:
    """Return what the chunks sRGB and gAMA say, the first before the second.

    PNG, third edition, 4.3 and 11.3.2.2: gAMA is the exponent from light to codes.
    """
    if "srgb" in info:
        return srgb("container")
    gamma = info.get("gamma")
    return power(round(1.0 / gamma, 4), "container") if gamma else None


def _png_transfer(handle: BinaryIO) -> int | None:
    """Return the transfer characteristic of the chunk cICP, which goes before a profile.

    PNG, third edition, 4.3 and 11.3.2.6; it stands before the pixels.
    """
    handle.seek(8)
    while len(head := handle.read(8)) == 8:
        size, kind = struct.unpack(">I4s", head)
        if kind == b"cICP":
            return handle.read(4)[1]
        if kind in (b"IDAT", b"IEND"):
            break
        handle.seek(size + 4, os.SEEK_CUR)
    return None


@dataclass(frozen=True)
class _Grid:
    """The pixels of one pass: every so many columns and rows from a first one on."""

    left: int = 0
    top: int = 0
    across: int = 1
    down: int = 1

    def size(self, width: int, height: int) -> Span:
        """Return columns and rows of a picture that are in this pass."""
        return -(-(width - self.left) // self.across), self.rows((0, height))

    def rows(self, span: Span) -> int:
        """Return how many rows of a span are in this pass."""
        first, last = (max(0, -(-(row - self.top) // self.down)) for row in span)
        return last - first


# PNG, third edition, 8.2.
_INTERLACED = (
    _Grid(0, 0, 8, 8), _Grid(4, 0, 8, 8), _Grid(0, 4, 4, 8), _Grid(2, 0, 4, 4),
    _Grid(0, 2, 2, 4), _Grid(1, 0, 2, 2), _Grid(0, 1, 1, 2),
)  # fmt: skip


class PngRows(RowsInOrder):
    """Windows of an open PNG of rows in order; a row before the last ones starts it again.

    The passes of an interlaced one are unfolded side by side, each from where it begins.
    """

    def __init__(self, path: Path, file: BinaryIO, page: Page) -> None:
        self._samples, self._sample_bytes = page.samples, page.bits // 8
        self._pixel, self._file = self._samples * self._sample_bytes, file
        said = struct.pack(">IIB", page.width, page.height, page.bits)
        file.seek(_HEADER_AT)
        if file.read(len(said)) != said:
            raise broken(path, OTHER_PICTURE)
        file.seek(_INTERLACE_AT)
        grids = (_Grid(),) if file.read(1) == b"\0" else _INTERLACED
        sizes = {grid: grid.size(page.width, page.height) for grid in grids}
        self._sizes = {grid: size for grid, size in sizes.items() if min(size) > 0}
        kind = np.dtype(np.uint8 if page.bits == 8 else np.uint16)
        super().__init__(path, (page.width, page.height), page.width * self._pixel, kind)

    def _start(self) -> None:
        self._passes, before = [], 0
        for columns, rows in self._sizes.values():
            unfolded = Unfolded(_Packed(self._path, self._file))
            unfolded.pass_over(before)
            self._passes.append(_Pass(self._path, unfolded, columns, self._pixel))
            before += rows * (1 + columns * self._pixel)

    def _next(self, first: int, count: int, columns: Span, wanted: Codes | None) -> None:
        last = first + count
        for grid, lines in zip(self._sizes, self._passes, strict=True):
            high = grid.rows((first, last))
            if not high:
                continue
            unfolded = lines.next(high)
            if wanted is not None:
                self._paste(unfolded, grid, (first, columns[0]), wanted)
        if last == self._size[1]:
            self._passes[-1].end()

    def _paste(self, lines: NDArray[np.uint8], grid: _Grid, corner: Span, codes: Codes) -> None:
        """Fill the pixels of a pass in codes (n, w, 3), which begin at a row and a column."""
        from pipeline.scan.kernel import codes_of_two_bytes

        left = max(0, -(-(corner[1] - grid.left) // grid.across))
        down = (grid.top - corner[0]) % grid.down
        place = codes[down :: grid.down, grid.left + left * grid.across - corner[1] :: grid.across]
        if self._sample_bytes == 2:
            part = codes if len(self._sizes) == 1 else np.empty(place.shape, np.uint16)
            codes_of_two_bytes(lines, left, self._samples, part)
            if part is not codes:
                place[:] = part
            return
        pixels = lines[:, 1:].reshape(len(lines), -1, self._samples)
        place[:] = pixels[:, left : left + place.shape[1], :3]


class _Pass:
    """Lines of one pass, as they unfold."""

    def __init__(self, path: Path, unfolded: Unfolded, columns: int, pixel: int) -> None:
        self._path, self._unfolded, self._pixel = path, unfolded, pixel
        self._above = np.zeros(columns * pixel, np.uint8)

    def next(self, count: int) -> NDArray[np.uint8]:
        """Return the next lines without their filters, each after a byte that means nothing."""
        from pipeline.scan.kernel import unfilter

        lines = np.empty((count, 1 + len(self._above)), np.uint8)
        self._unfolded.fill(lines)
        if not unfilter(lines, self._above, self._pixel):
            raise broken(self._path, "is damaged (it has rows of an unknown filter)")
        return lines

    def end(self) -> None:
        """Read on to the check of the last chunk, which comes after its data."""
        self._unfolded.end()
        for _ in self._unfolded.pieces:
            pass


class _Packed:
    """The data of a picture's chunks, which follow one another, in pieces that unfold fast."""

    def __init__(self, path: Path, file: BinaryIO) -> None:
        self._path, self._file = path, file
        self._at, self._left, self._check = _SIGNATURE_BYTES, 0, 0
        self._begun = False

    def __iter__(self) -> Iterator[bytes]:
        """Return itself."""
        return self

    def __next__(self) -> bytes:
        """Return the next data, of many chunks if they are small."""
        held, size = [], 0
        self._file.seek(self._at)
        while size < _PIECE_BYTES and (self._left or self._chunk()):
            piece = self._read(min(_PIECE_BYTES, self._left))
            self._left -= len(piece)
            self._check = isal_zlib.crc32(piece, self._check)
            if not self._left:
                self._check_chunk()
            held.append(piece)
            size += len(piece)
        if not held:
            raise StopIteration
        return b"".join(held)

    def _chunk(self) -> bool:
        """Go to the next chunk with data; tell whether there is one."""
        while True:
            size, name = struct.unpack(">I4s", self._read(8))
            if name == b"IEND" or (self._begun and name != b"IDAT"):
                self._at -= 8
                return False
            if name == b"IDAT":
                self._begun, self._left, self._check = True, size, zlib.crc32(name)
                if size:
                    return True
                self._check_chunk()
            else:
                self._at += size + 4
                self._file.seek(self._at)

    def _check_chunk(self) -> None:
        if self._read(4) != struct.pack(">I", self._check):
            raise broken(self._path, "is damaged (a chunk does not fit its check)")

    def _read(self, count: int) -> bytes:
        got = self._file.read(count)
        if len(got) != count:
            raise broken(self._path, "is cut short")
        self._at += count
        return got
