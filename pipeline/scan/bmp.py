"""BMP, whose rows lie in the file as they are, read by windows."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import BmpImagePlugin

from pipeline.kinds import Codes, Span
from pipeline.scan.container import DamageError, OfColour, Page, broken, guarded
from pipeline.scan.stored import StoredRows
from pipeline.scan.whole import OTHER_PICTURE

_COLOURS = "RGB"


@dataclass(frozen=True)
class BmpRows:
    """Where the rows of a BMP lie: the first one, bytes from row to row, bytes of a pixel.

    `upwards` tells that the first one is the lowest; `order` are the bytes of red, green and blue.
    """

    columns: int
    rows: int
    start: int
    row_bytes: int
    pixel_bytes: int
    upwards: bool
    order: tuple[int, int, int]


def bmp_rows(path: Path) -> BmpRows | None:
    """Return where the rows of a BMP lie; None of one with a palette, packed, or of few bits.

    Raises
    ------
    DamageError
        It is cut short.
    """
    picture = BmpImagePlugin.BmpImageFile(path)
    with picture:
        codec, _, start, tile = picture.tile[0]
        how: Any = tile
        columns, rows = picture.size
    # Such as "BGR" or "BGRX"; of few bits "BGR;15".
    names = how[0] if codec == "raw" else ""
    if not (names.isalpha() and set(_COLOURS) <= set(names)):
        return None
    order: Any = tuple(names.index(name) for name in _COLOURS)
    found = BmpRows(columns, rows, start, how[1], len(names), how[2] < 0, order)
    if found.start + found.row_bytes * rows > path.stat().st_size:
        raise DamageError("it is cut short")
    return found


class BmpReader(OfColour):
    """Windows of an open BMP."""

    def __init__(self, path: Path, file: Any, place: BmpRows) -> None:
        self._path, self._place = path, place
        self._stored = StoredRows(path, file, np.dtype(np.uint8))

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        place = self._place
        pixels = np.empty((rows[1] - rows[0], columns[1] - columns[0], place.pixel_bytes), np.uint8)
        first = place.rows - rows[1] if place.upwards else rows[0]
        start = place.start + first * place.row_bytes + columns[0] * place.pixel_bytes
        with guarded(self._path):
            self._stored.fill(pixels, start, place.row_bytes)
        codes = pixels[..., list(place.order)]
        return np.ascontiguousarray(codes[::-1]) if place.upwards else codes


@contextmanager
def opened_bmp(path: Path, page: Page, in_order: bool = False) -> Iterator[BmpReader]:
    """Open a BMP of plain rows."""
    with guarded(path):
        place = bmp_rows(path)
        if place is None or (place.columns, place.rows) != (page.width, page.height):
            raise broken(path, OTHER_PICTURE)
        file = path.open("rb", buffering=0)
    with file:
        yield BmpReader(path, file, place)
