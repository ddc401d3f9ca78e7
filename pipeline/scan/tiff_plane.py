"""The pixels of one TIFF directory, and rows that lie in a file as they are, read by windows."""

import math
import os
import struct
from collections.abc import Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.kinds import Codes, Span
from pipeline.scan.container import broken, check_decoded, guarded
from pipeline.scan.stream import JPEG, JpegStrip, StripStream, is_streamed

Ifd = Any  # tifffile.TiffPage, which carries no types

_BLOCK_BYTES = 4 << 20
# One call of the system instead of two, without a buffer between.
_READS_AT_PLACES = hasattr(os, "preadv")
_RGB = 2
_UNPACKED_BITS = (8, 16, 32, 64)
# A tile may be larger than a small picture, but not without bound.
_LARGEST_TILE_PIXELS = 1 << 24


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


class Plane:
    """The samples of one directory of an open TIFF.

    Uncompressed strips are read row by row at the columns wanted. Of compressed strips and of
    tiles only those that a window touches are decoded; those that reach out of it at its top or
    bottom are kept, so that bands read in order decode each of them once. `in_order` promises
    bands from the top downwards: then those at its top are given back, and large strips are
    unfolded row by row where their compression allows it. Not to be shared by threads.
    """

    def __init__(self, path: Path, ifd: Ifd, in_order: bool = False) -> None:
        self._path = path
        self._handle = ifd.parent.filehandle
        self._ifd = ifd
        self._before: dict[int, Codes] = {}
        self._kept: dict[int, Codes] = {}
        self._in_order = in_order
        self._streamed = in_order and is_streamed(ifd, segment_bytes(ifd))
        self._streams: dict[int, StripStream | JpegStrip] = {}
        self._separate = ifd.planarconfig == 2 and ifd.samplesperpixel > 1
        self._dtype = np.dtype(ifd.dtype).newbyteorder("=")
        stored = self._dtype.newbyteorder(ifd.parent.byteorder)
        self._rows = StoredRows(path, self._handle, stored)

    @property
    def held_bytes(self) -> int:
        """Return the bytes that are decoded and held at once at the least."""
        return 0 if is_plain(self._ifd) or self._streamed else segment_bytes(self._ifd)

    def window(self, rows: Span, columns: Span, samples: tuple[int, ...]) -> Codes:
        """Return code values of consecutive samples, shape (rows, columns, samples)."""
        with guarded(self._path):
            return self._window(rows, columns, samples)

    def _window(self, rows: Span, columns: Span, samples: tuple[int, ...]) -> Codes:
        """Gather a window; whatever a damaged file makes the decoders raise comes through."""
        self._before, self._kept = self._kept, {}
        size = rows[1] - rows[0], columns[1] - columns[0]
        if self._separate:
            codes = np.empty((*size, len(samples)), self._dtype)
            high, wide = segment_size(self._ifd)
            apart = -(-self._ifd.imagelength // high) * -(-self._ifd.imagewidth // wide)
            for k, sample in enumerate(samples):
                self._fill(codes[..., k : k + 1], sample * apart, rows, columns)
            return codes
        every = np.empty((*size, self._ifd.samplesperpixel), self._dtype)
        self._fill(every, 0, rows, columns)
        return every[..., samples[0] : samples[-1] + 1]

    def _fill(self, codes: Codes, first: int, rows: Span, columns: Span) -> None:
        """Fill a window from the strips or tiles that start at index `first`."""
        if is_plain(self._ifd):
            self._fill_plain(codes, first, rows, columns)
            return
        if self._streamed:
            self._fill_streamed(codes, first, rows, columns)
            return
        high, wide = segment_size(self._ifd)
        across = -(-self._ifd.imagewidth // wide)
        for down in range(rows[0] // high, -(-rows[1] // high)):
            for along in range(columns[0] // wide, -(-columns[1] // wide)):
                index = first + down * across + along
                piece = self._segment(index)
                above = down * high < rows[0] and not self._in_order
                if (down + 1) * high > rows[1] or above:
                    self._kept[index] = piece
                paste(codes, piece, (rows[0], columns[0]), (down * high, along * wide))

    def _fill_plain(self, codes: Codes, first: int, rows: Span, columns: Span) -> None:
        """Fill a window from uncompressed strips, reading no other pixels."""
        pixel = codes.shape[2] * self._dtype.itemsize
        row_bytes = self._ifd.imagewidth * pixel
        for strip, part, (top, _) in self._strips(codes, rows):
            start = self._ifd.dataoffsets[first + strip] + top * row_bytes
            self._rows.fill(part, start + columns[0] * pixel, row_bytes)

    def _fill_streamed(self, codes: Codes, first: int, rows: Span, columns: Span) -> None:
        """Fill a window from strips that are unfolded row by row."""
        for strip, part, span in self._strips(codes, rows):
            stream = self._stream(first + strip, strip)
            part[:] = stream.rows(span)[:, slice(*columns)]
            if stream.is_done:
                del self._streams[first + strip]

    def _strips(self, codes: Codes, rows: Span) -> Iterator[tuple[int, Codes, Span]]:
        """Yield strips, the part of a window of rows that each fills, and its rows of the strip."""
        high = int(self._ifd.rowsperstrip)
        for strip in range(rows[0] // high, -(-rows[1] // high)):
            above = strip * high
            top, bottom = max(rows[0], above), min(rows[1], above + high)
            yield strip, codes[top - rows[0] : bottom - rows[0]], (top - above, bottom - above)

    def _stream(self, index: int, strip: int) -> StripStream | JpegStrip:
        """Return the strip of an index, in the order of its plane, as it is unfolded."""
        if index not in self._streams:
            ifd = self._ifd
            full = int(ifd.rowsperstrip)
            high = min(full, ifd.imagelength - strip * full)
            if ifd.compression == JPEG:
                size, is_rgb = (int(ifd.imagewidth), high), ifd.photometric == _RGB
                one = JpegStrip(self._path, self._packed(index), ifd.jpegtables, size, is_rgb)
                self._streams[index] = one
                return one
            samples = 1 if self._separate else ifd.samplesperpixel
            start = ifd.dataoffsets[index]
            self._streams[index] = StripStream(
                self._path,
                self._handle,
                (start, start + ifd.databytecounts[index]),
                (high, ifd.imagewidth, samples),
                self._rows.stored,
                differences=ifd.predictor != 1,
                padded=high < full,
                scheme=int(ifd.compression),
            )
        return self._streams[index]

    def _segment(self, index: int) -> Codes:
        """Return a decoded strip or tile, shape (rows, columns, samples)."""
        # Taken out, so that a row of tiles that is done with is given back before the next is read.
        if index in self._before:
            return self._before.pop(index)
        ifd, data = self._ifd, self._packed(index)
        decoded = ifd.decode(data, index, jpegtables=ifd.jpegtables, jpegheader=ifd.jpegheader)
        piece: Codes = decoded[0][0]
        return piece

    def _packed(self, index: int) -> bytes:
        """Return a strip or tile as stored."""
        ifd = self._ifd
        self._handle.seek(ifd.dataoffsets[index])
        data: bytes = self._handle.read(ifd.databytecounts[index])
        if len(data) != ifd.databytecounts[index]:
            raise broken(self._path, "is cut short")
        if ifd.compression == JPEG:
            _check_jpeg(self._path, data, segment_size(ifd))
        return data


def segment_size(ifd: Ifd) -> Span:
    """Return rows and columns of one strip or tile."""
    if ifd.is_tiled:
        return int(ifd.tilelength), int(ifd.tilewidth)
    return int(ifd.rowsperstrip), int(ifd.imagewidth)


def block_of(ifd: Ifd, other: Span | None = None) -> Span | None:
    """Return rows and columns that can be decoded apart, along with `other`; None if all is plain.

    None stands for pixels that lie in the file as they are.
    """
    if is_plain(ifd):
        return other
    high, wide = segment_size(ifd)
    return (high, wide) if other is None else (math.lcm(high, other[0]), math.lcm(wide, other[1]))


def segment_bytes(ifd: Ifd) -> int:
    """Return the bytes that one strip or tile takes when it is decoded."""
    high, wide = segment_size(ifd)
    samples = 1 if ifd.planarconfig == 2 else ifd.samplesperpixel
    return int(min(high, ifd.imagelength) * wide * samples * np.dtype(ifd.dtype).itemsize)


def is_plain(ifd: Ifd) -> bool:
    """Tell whether the pixels lie in the file as they are, row after row of a strip."""
    return bool(
        ifd.compression == 1
        and ifd.predictor == 1
        and ifd.fillorder == 1
        and not ifd.is_tiled
        and ifd.bitspersample in _UNPACKED_BITS
    )


def check_data(path: Path, ifd: Ifd, file_bytes: int) -> tuple[str, ...]:
    """Return notes on strips or tiles that take much memory.

    Raises
    ------
    ScanProblem
        One is missing or lies beyond the end of the file, or takes too much memory.
    """
    high, wide = segment_size(ifd)
    pixels = ifd.imagewidth * ifd.imagelength
    if high <= 0 or wide <= 0 or high * wide > max(4 * pixels, _LARGEST_TILE_PIXELS):
        raise broken(path, f"has strips or tiles of {wide} x {high} pixels")
    apart = ifd.samplesperpixel if ifd.planarconfig == 2 else 1
    wanted = -(-ifd.imagelength // high) * -(-ifd.imagewidth // wide) * apart
    if len(ifd.dataoffsets) < wanted or len(ifd.databytecounts) < wanted:
        raise broken(path, "lists fewer strips or tiles than the picture has")
    offsets = np.asarray(ifd.dataoffsets[:wanted], np.int64)
    counts = np.asarray(ifd.databytecounts[:wanted], np.int64)
    if is_plain(ifd):
        counts = _plain_bytes(path, ifd, counts)
    if (offsets + counts > file_bytes).any():
        raise broken(path, f"is cut short at {file_bytes} bytes")
    if (offsets <= 0).any() or (counts <= 0).any():
        raise broken(path, "has strips or tiles without data")
    return () if is_plain(ifd) else check_decoded(path, held_bytes(ifd, int(counts.max())))


def held_bytes(ifd: Ifd, packed_bytes: int) -> int:
    """Return the bytes that decoding holds in order: a strip that is not streamed, or tiles."""
    one = segment_bytes(ifd)
    if is_streamed(ifd, one):
        return 0
    apart = ifd.samplesperpixel if ifd.planarconfig == 2 else 1
    across = -(-int(ifd.imagewidth) // segment_size(ifd)[1])
    # A decoder that undoes differences makes a second one.
    return one * across * int(apart) + one + packed_bytes


def _check_jpeg(path: Path, data: bytes, size: Span) -> None:
    """Raise if a JPEG in a strip or tile is larger than it, or says no size.

    Markers and the frame header are those of ITU-T T.81, B.1.1.3 and B.2.2.
    """
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            high, wide = struct.unpack_from(">HH", data, at + 5)
            if high * wide > max(4 * size[0] * size[1], _LARGEST_TILE_PIXELS):
                raise broken(path, f"has a strip or tile of {wide} x {high} pixels")
            return
        at += 2 if marker == 0xFF else 2 + struct.unpack_from(">H", data, at + 2)[0]
    raise broken(path, "has a strip or tile without a size")


def _plain_bytes(path: Path, ifd: Ifd, counts: Codes) -> Codes:
    """Return the bytes that the rows of each uncompressed strip take, which may be padded."""
    samples = 1 if ifd.planarconfig == 2 else ifd.samplesperpixel
    row_bytes = ifd.imagewidth * samples * ifd.bitspersample // 8
    down = -(-ifd.imagelength // ifd.rowsperstrip)
    rows = np.full(down, ifd.rowsperstrip, np.int64)
    rows[-1] = ifd.imagelength - (down - 1) * ifd.rowsperstrip
    taken: Codes = np.resize(rows, len(counts)) * row_bytes
    if (counts < taken).any():
        raise broken(path, "has strips shorter than their rows")
    return taken


def paste(codes: Codes, piece: Codes, corner: Span, place: Span) -> None:
    """Copy the part of a strip or tile at `place` that a window at `corner` covers."""
    top, left = max(corner[0], place[0]), max(corner[1], place[1])
    bottom = min(corner[0] + codes.shape[0], place[0] + piece.shape[0])
    right = min(corner[1] + codes.shape[1], place[1] + piece.shape[1])
    codes[top - corner[0] : bottom - corner[0], left - corner[1] : right - corner[1]] = piece[
        top - place[0] : bottom - place[0], left - place[1] : right - place[1]
    ]
