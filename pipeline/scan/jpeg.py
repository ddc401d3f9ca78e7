"""JPEG: its rows decoded one after another, or the whole of a small one."""

import math
import os
import struct
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from PIL import JpegImagePlugin

from pipeline.kinds import Codes, Span
from pipeline.problem import ScanProblem
from pipeline.scan.container import (
    MUCH_BYTES,
    Container,
    Page,
    Reader,
    broken,
    guarded,
    in_turn,
)
from pipeline.scan.rows import RowsInOrder
from pipeline.scan.whole import OTHER_PICTURE, PictureReader, page_of

# The library keeps about so many rows gone by, if it is asked for a row a call (measured).
_KEPT_ROWS = 800
# Channels of the modes of a JPEG that may be RGB.
_CHANNELS = {"L": 1, "RGB": 3}
# ITU-T T.81, table B.1: markers of frames, and what may fill room before any marker.
_FRAMES, _FILL = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}, 0xFF
_FRAME = struct.Struct(">BHH")
# ITU-T T.81, B.1.1.3, and T.872, 6.5.3: what begins and ends a stream; a segment of a program's
# own that says that samples are not luma and chroma.
_START, _END = b"\xff\xd8", b"\xff\xd9"
_OF_RGB = b"\xff\xee\0\x0eAdobe\0\x64\0\0\0\0\0"
_LOSSY = "8-bit JPEG loses shadow detail of the film: scan to 16-bit TIFF instead"


def jpeg_pages(path: Path) -> tuple[Page, ...]:
    """Describe the picture of a JPEG, with a note that it holds less than film does.

    Raises
    ------
    ScanProblem
        The file is damaged or not RGB.
    """
    with guarded(path), path.open("rb") as handle:
        frame = frame_of(handle)
        if frame is not None and frame[0] != 8:
            what = f"is a JPEG of {frame[0]} bits a sample, which can't be read"
            raise ScanProblem(path, what, "save it as a 16-bit TIFF")
        handle.seek(0)
        picture = _jpeg(handle)
        channels = _CHANNELS.get(picture.mode)
        if channels is None:
            raise ScanProblem(path, f"is {picture.mode}, not RGB", "scan or save it as RGB")
        size, info, held = picture.size, picture.info, _coefficient_bytes(picture)
        return (page_of(path, _JPEG, size, info, 8, channels, None, (_LOSSY,), held),)


def frame_of(handle: BinaryIO) -> tuple[int, int, int] | None:
    """Return a JPEG's bits a sample, rows and columns, None where no frame header is found.

    ITU-T T.81, B.1.1 and B.2.2: segments follow one another up to the frame's.
    """
    handle.seek(2)
    while (start := handle.read(4))[:1] == b"\xff" and len(start) == 4:
        if start[1] == _FILL:
            handle.seek(-3, os.SEEK_CUR)
        elif start[1] in _FRAMES:
            said = handle.read(_FRAME.size)
            return _FRAME.unpack(said) if len(said) == _FRAME.size else None
        else:
            handle.seek(int.from_bytes(start[2:], "big") - 2, os.SEEK_CUR)
    return None


def strip_jpeg(data: bytes, tables: bytes | None, is_rgb: bool) -> bytes:
    """Return a strip of a TIFF as a JPEG of its own.

    Parameters
    ----------
    data, tables
        The JPEG, and the tables that it shares with others; either is a whole stream.
    is_rgb
        Whether its samples are red, green and blue, unless it says itself what they are.
    """
    shared = tables[len(_START) : -len(_END)] if tables else b""
    return b"".join((_START, _OF_RGB if is_rgb else b"", shared, data[len(_START) :]))


def _jpeg(handle: BinaryIO) -> JpegImagePlugin.JpegImageFile:
    """Open a JPEG; damaged Exif is no reason to talk, let alone to refuse it."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", module=r"PIL\.")
        return JpegImagePlugin.JpegImageFile(handle)


def _coefficient_bytes(picture: JpegImagePlugin.JpegImageFile) -> int:
    """Return the bytes that are held of a picture whose coefficients come in several passes.

    Of others only rows are. Coefficients are of two bytes each, as many as there are samples.
    """
    if not picture.info.get("progressive"):
        return 0
    ways = [(across, down) for _, across, down, _ in picture.layer]
    most_across, most_down = (max(sides) for sides in zip(*ways, strict=True))
    share: float = sum(across * down for across, down in ways) / (most_across * most_down)
    return math.ceil(2 * picture.size[0] * picture.size[1] * share)


class JpegRows(RowsInOrder):
    """Windows of a JPEG of rows in order; a row before the last ones starts it again.

    Parameters
    ----------
    size
        Its columns and rows.
    data
        The JPEG where it is not the whole file.
    """

    def __init__(self, path: Path, size: Span, data: bytes | None = None) -> None:
        self._data = data
        super().__init__(path, size, size[0] * 3, np.dtype(np.uint8))

    def _start(self) -> None:
        import pyvips

        # Opened as a source, for of a file by its name the library may hold an older state. A file
        # that is cut short is refused, instead of filled with grey.
        if self._data is None:
            source = pyvips.Source.new_from_file(str(self._path))
        else:
            source = pyvips.Source.new_from_memory(self._data)
        picture: Any = pyvips.Image.jpegload_source(
            source, access="sequential", fail_on="truncated"
        )
        # A strip may go on below the picture that it is the last of.
        high = picture.height if self._data is None else min(picture.height, self._size[1])
        if (picture.width, high, picture.bands) != (*self._size, 3):
            raise broken(self._path, OTHER_PICTURE)
        self._region = pyvips.Region.new(picture)

    def _next(self, first: int, count: int, columns: Span, wanted: Codes | None) -> None:
        # What the library keeps of rows gone by grows with the size of a call.
        for row in range(count):
            line = self._region.fetch(0, first + row, self._size[0], 1)
            if wanted is not None:
                wanted[row] = np.frombuffer(line, np.uint8).reshape(-1, 3)[slice(*columns)]


@contextmanager
def _opened(path: Path, page: Page, in_order: bool = False) -> Iterator[Reader]:
    """Decode a JPEG row by row, or as a whole where a small one is not read in order."""
    if not in_order and page.width * page.height * 4 < MUCH_BYTES:
        with guarded(path):
            reader: Reader = _whole(path, page)
        yield reader
        return
    held = page.held_bytes or _KEPT_ROWS * page.width * 3
    with in_turn(held if in_order else 0):
        with guarded(path):
            reader = JpegRows(path, (page.width, page.height))
        yield reader


def _whole(path: Path, page: Page) -> Reader:
    # Unlike others this decoder refuses a file that is cut short, instead of filling with grey.
    with path.open("rb") as handle:
        picture = _jpeg(handle)
        picture.load()
    if picture.size != (page.width, page.height) or picture.mode != "RGB":
        raise broken(path, OTHER_PICTURE)
    return PictureReader(picture)


_JPEG = Container(_opened, lossy=True)
