"""Directories of an Exif block, put into the TIFF file of a picture.

TIFF readers look for Exif in a directory of its own that the picture's directory points to
(Exif 2.32, 4.6.3), and the library that packs the picture can't write one. So the block, a small
TIFF structure as JPEG carries it, is appended to the file and pointed to: the picture, which may
be large, is neither read again nor moved.
"""

import os
import struct
from collections.abc import Iterator
from typing import BinaryIO

# Exif 2.32, 4.6.2: bytes of each type of value.
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8}
# Title, maker, model, artist, copyright: tags of the picture's own directory (TIFF 6.0, section 8).
_PLAIN = (270, 271, 272, 315, 33432)
_EXIF_POINTER = 34665
# No tag; it keeps the pointer's place in the order of tags, 34675 being the next one in use.
_STAND_IN = 34664
_LONG = 4
_READ_BYTES = 1 << 16

Tag = tuple[int, int, int, bytes | int, bool]


def picture_tags(block: bytes) -> list[Tag]:
    """Return what the picture's directory needs: the block's plain tags, and room for a pointer.

    Each is code, type, count, value and True, as `tifffile.TiffWriter.write` takes them.
    """
    tags: list[Tag] = [(_STAND_IN, _LONG, 1, 0, True)]
    for code, kind, count, place in _entries(block, _first(block)):
        if code in _PLAIN:
            size = _TYPE_BYTES[kind] * count
            start = _long(block, place) if size > 4 else place
            tags.append((code, kind, count, block[start : start + size], True))
    return tags


def append_block(file: BinaryIO, block: bytes) -> None:
    """Append an Exif block to a little-endian TIFF written with `picture_tags`.

    Offsets in the block count from its own start, in the file from the file's (TIFF 6.0,
    section 2), so those of its Exif directory are moved by where it lands.
    """
    end = file.seek(0, os.SEEK_END)
    shift = end + end % 2
    start = _long(block, _place(block, _EXIF_POINTER))
    moved = bytearray(block)
    for _, kind, count, place in _entries(block, start):
        if _TYPE_BYTES[kind] * count > 4:
            struct.pack_into("<I", moved, place, shift + _long(block, place))
    file.seek(shift)
    file.write(moved)
    file.seek(0)
    place = _place(file.read(_READ_BYTES), _STAND_IN)
    file.seek(place - 8)
    file.write(struct.pack("<HHII", _EXIF_POINTER, _LONG, 1, shift + start))


def _first(block: bytes) -> int:
    return _long(block, 4)


def _long(block: bytes, place: int) -> int:
    value: int = struct.unpack_from("<I", block, place)[0]
    return value


def _place(block: bytes, wanted: int) -> int:
    """Return where in the first directory the value of a tag is."""
    return next(place for code, _, _, place in _entries(block, _first(block)) if code == wanted)


def _entries(block: bytes, start: int) -> Iterator[tuple[int, int, int, int]]:
    """Yield code, type, count and the place of the value of every entry of a directory."""
    for index in range(struct.unpack_from("<H", block, start)[0]):
        place = start + 2 + 12 * index
        code, kind, count = struct.unpack_from("<HHI", block, place)
        yield code, kind, count, place + 8
