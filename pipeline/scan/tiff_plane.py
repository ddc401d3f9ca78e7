"""The pixels of one TIFF directory, read by windows."""

import io
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.kinds import Codes, Span
from pipeline.scan.container import broken, check_decoded, guarded
from pipeline.scan.jpeg import JpegRows, frame_of, strip_jpeg
from pipeline.scan.pieces import Pieces
from pipeline.scan.rows import RowsInOrder
from pipeline.scan.stored import StoredRows
from pipeline.scan.stream import JPEG, StripStream, is_streamed

Ifd = Any  # tifffile.TiffPage, which carries no types

_RGB = 2
_UNPACKED_BITS = (8, 16, 32, 64)
# A tile may be larger than a small picture, but not without bound.
_LARGEST_TILE_PIXELS = 1 << 24


class Plane:
    """The samples of one directory of an open TIFF.

    Uncompressed strips are read row by row at the columns wanted; others, and tiles, are decoded
    apart. `in_order` promises bands from the top downwards: then large strips are unfolded row by
    row where their compression allows it. Not to be shared by threads.
    """

    def __init__(self, path: Path, ifd: Ifd, in_order: bool = False) -> None:
        self._path = path
        self._handle = ifd.parent.filehandle
        self._ifd = ifd
        self._streamed = in_order and is_streamed(ifd, segment_bytes(ifd))
        self._streams: dict[int, RowsInOrder] = {}
        self._separate = ifd.planarconfig == 2 and ifd.samplesperpixel > 1
        self._dtype = np.dtype(ifd.dtype).newbyteorder("=")
        stored = self._dtype.newbyteorder(ifd.parent.byteorder)
        self._rows = StoredRows(path, self._handle, stored)
        high, wide = segment_size(ifd)
        across = -(-ifd.imagewidth // wide)
        self._pieces = Pieces((high, wide), across, in_order)
        self._apart = -(-ifd.imagelength // high) * across

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
        self._pieces.begin()
        size = rows[1] - rows[0], columns[1] - columns[0]
        if self._separate:
            codes = np.empty((*size, len(samples)), self._dtype)
            for k, sample in enumerate(samples):
                self._fill(codes[..., k : k + 1], sample * self._apart, rows, columns)
            return codes
        every = np.empty((*size, self._ifd.samplesperpixel), self._dtype)
        self._fill(every, 0, rows, columns)
        return every[..., samples[0] : samples[-1] + 1]

    def _fill(self, codes: Codes, first: int, rows: Span, columns: Span) -> None:
        """Fill a window from the strips or tiles that start at index `first`."""
        if is_plain(self._ifd):
            self._fill_plain(codes, first, rows, columns)
        elif self._streamed:
            self._fill_streamed(codes, first, rows, columns)
        else:
            self._pieces.fill(codes, rows, columns, self._segment, first)

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
            stream.fill(part, span, columns)
            if stream.is_done:
                del self._streams[first + strip]

    def _strips(self, codes: Codes, rows: Span) -> Iterator[tuple[int, Codes, Span]]:
        """Yield strips, the part of a window of rows that each fills, and its rows of the strip."""
        high = int(self._ifd.rowsperstrip)
        for strip in range(rows[0] // high, -(-rows[1] // high)):
            above = strip * high
            top, bottom = max(rows[0], above), min(rows[1], above + high)
            yield strip, codes[top - rows[0] : bottom - rows[0]], (top - above, bottom - above)

    def _stream(self, index: int, strip: int) -> RowsInOrder:
        """Return the strip of an index, in the order of its plane, as it is unfolded."""
        if index not in self._streams:
            ifd = self._ifd
            full = int(ifd.rowsperstrip)
            high = min(full, ifd.imagelength - strip * full)
            if ifd.compression == JPEG:
                size, is_rgb = (int(ifd.imagewidth), high), ifd.photometric == _RGB
                data = strip_jpeg(self._packed(index), ifd.jpegtables, is_rgb)
                self._streams[index] = JpegRows(self._path, size, data)
                return self._streams[index]
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
    """Raise if a JPEG in a strip or tile is larger than it, or says no size."""
    frame = frame_of(io.BytesIO(data))
    if frame is None:
        raise broken(path, "has a strip or tile without a size")
    _, high, wide = frame
    if high * wide > max(4 * size[0] * size[1], _LARGEST_TILE_PIXELS):
        raise broken(path, f"has a strip or tile of {wide} x {high} pixels")


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
