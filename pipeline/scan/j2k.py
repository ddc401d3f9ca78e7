"""JPEG 2000 in tiles, each decoded as a picture of its own (ISO/IEC 15444-1, annex A)."""

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import imagecodecs
import numpy as np

from pipeline.kinds import Codes, Span
from pipeline.scan.container import DamageError, OfColour, broken, guarded
from pipeline.scan.pieces import Pieces
from pipeline.scan.whole import OTHER_PICTURE

_START, _SIZE, _TILE, _END = 0xFF4F, 0xFF51, 0xFF90, b"\xff\xd9"
# Lengths of tiles and packets, which those of one tile are not, may be left out; the headers of
# all packets together can't be taken apart.
_LENGTHS, _PACKED_HEADERS = (0xFF55, 0xFF57), 0xFF60
# A main header holds quantisation and at most some comments.
_MOST_HEADER_BYTES = 1 << 20
# Numbers of tiles have 16 bits.
_MOST_TILES = 65535
_AREA = struct.Struct(">8I")


@dataclass(frozen=True)
class Tiles:
    """Where the tiles of a codestream lie.

    `before` and `after` are its main header around what its size says: right, lower, left and
    upper end of the picture, columns and rows of a tile, left and upper end of the first one.
    `parts` are the places in the file of each tile's parts, row after row.
    """

    before: bytes
    area: tuple[int, ...]
    after: bytes
    parts: tuple[tuple[Span, ...], ...]

    @property
    def size(self) -> Span:
        """Return columns and rows of the picture."""
        right, lower, left, top, *_ = self.area
        return right - left, lower - top

    @property
    def block(self) -> Span | None:
        """Return rows and columns of a tile; None if there is one, or the first is a part."""
        right, lower, left, top, wide, high, first_left, first_top = self.area
        if (first_left, first_top) != (left, top) or len(self.parts) < 2:
            return None
        return min(high, lower - top), min(wide, right - left)


def tiles_of(file: BinaryIO, start: int) -> Tiles | None:
    """Return the tiles of a codestream that starts at a place; None if they can't be taken apart.

    Raises
    ------
    DamageError
        It is cut short.
    """
    before, area, after, at = b"", (), b"", start
    for marker, body, end in _segments(file, start):
        at = end
        if marker == _PACKED_HEADERS:
            return None
        if marker == _SIZE:
            before, area = before + body[:6], _AREA.unpack_from(body, 6)
            after = body[6 + _AREA.size :]
            # Of each component bits, and columns and rows that one of its samples stands for.
            if any(step != 1 for k, step in enumerate(after[2:]) if k % 3):
                return None
        elif marker not in _LENGTHS:
            before, after = (before, after + body) if area else (before + body, after)
    if not area:
        return None
    right, lower, _, _, wide, high, first_left, first_top = area
    across, down = -(-(right - first_left) // wide), -(-(lower - first_top) // high)
    if across * down > _MOST_TILES:
        raise DamageError("it has more tiles than can be told apart")
    parts: list[list[Span]] = [[] for _ in range(across * down)]
    for tile, place in _tile_parts(file, at):
        parts[tile].append(place)
    if not all(parts):
        raise DamageError("it is cut short")
    return Tiles(before, area, after, tuple(map(tuple, parts)))


def _segments(file: BinaryIO, start: int) -> Iterator[tuple[int, bytes, int]]:
    """Yield marker, bytes with the marker, and end of each segment before the first tile."""
    file.seek(start)
    at = start
    while at - start < _MOST_HEADER_BYTES:
        head = file.read(2)
        (marker,) = struct.unpack(">H", head)
        if marker == _TILE:
            return
        length = b"" if marker == _START else file.read(2)
        body = file.read(max(0, struct.unpack(">H", length)[0] - 2)) if length else b""
        at += len(head) + len(length) + len(body)
        yield marker, head + length + body, at
    raise DamageError("its header has no end")


def _tile_parts(file: BinaryIO, at: int) -> Iterator[tuple[int, Span]]:
    """Yield number and place of each part of a tile; the last one may not tell its length."""
    total = file.seek(0, os.SEEK_END)
    while at + 12 <= total:
        file.seek(at)
        marker, _, tile, size = struct.unpack(">HHHI", file.read(10))
        if marker != _TILE:
            return
        end = at + size if size else total
        if not at + 12 <= end <= total:
            raise DamageError("it is cut short")
        yield tile, (at, end)
        at = end


class TileReader(OfColour):
    """Windows of an open codestream; tiles that reach out below a window are kept for the next."""

    def __init__(
        self, path: Path, file: BinaryIO, tiles: Tiles, kind: np.dtype[np.generic]
    ) -> None:
        self._path, self._file, self._tiles, self._kind = path, file, tiles, kind
        right, _, left, _, wide, high, *_ = tiles.area
        self._across = -(-(right - left) // wide)
        self._pieces = Pieces((high, wide), self._across, in_order=True)

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        codes = np.empty((rows[1] - rows[0], columns[1] - columns[0], 3), self._kind)
        self._pieces.begin()
        with guarded(self._path):
            self._pieces.fill(codes, rows, columns, self._tile)
        return codes

    def _tile(self, number: int) -> Codes:
        """Decode a tile as a picture of its own, at its place."""
        right, lower, left, top, wide, high, *_ = self._tiles.area
        down, along = divmod(number, self._across)
        first = left + along * wide, top + down * high
        last = min(right, first[0] + wide), min(lower, first[1] + high)
        area = _AREA.pack(*last, *first, wide, high, *first)
        held = [self._tiles.before, area, self._tiles.after]
        for start, end in self._tiles.parts[number]:
            self._file.seek(start)
            part = self._file.read(end - start)
            if len(part) != end - start:
                raise broken(self._path, "is cut short")
            # It is the first and only one now.
            held.append(part[:4] + bytes(2) + part[6:])
        if not held[-1].endswith(_END):
            held.append(_END)
        piece = np.asarray(imagecodecs.jpeg2k_decode(b"".join(held)))
        if piece.shape[:2] != (last[1] - first[1], last[0] - first[0]) or piece.shape[2] < 3:
            raise broken(self._path, OTHER_PICTURE)
        return piece[..., :3]
