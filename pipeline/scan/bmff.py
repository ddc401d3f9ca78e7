"""Boxes of files built after ISO/IEC 14496-12, and what they say of the picture in them."""

import io
import os
import struct
from collections.abc import Iterator
from typing import BinaryIO

from pipeline.scan.container import DamageError

# ISO/IEC 14496-12, 8.11: what stands before the boxes inside these.
_HOLDERS = {b"meta": 4, b"iprp": 0, b"ipco": 0, b"jp2h": 0, b"res ": 0}
# No colour profile or Exif is larger; the picture itself is not needed to describe it.
_MOST_BYTES = 4 << 20

Box = tuple[bytes, bytes]


def boxes(file: BinaryIO) -> Iterator[Box]:
    """Yield type and first 4 MB of content of every box, those inside others after their holder.

    Raises
    ------
    DamageError
        A box is cut short.
    """
    total, at = file.seek(0, os.SEEK_END), 0
    while at + 8 <= total:
        file.seek(at)
        size, kind = struct.unpack(">I4s", file.read(8))
        head = 8
        if size == 1 and at + 16 <= total:
            (size,), head = struct.unpack(">Q", file.read(8)), 16
        if size and not head <= size <= total - at:
            raise DamageError("it is cut short")
        end = at + size if size else total
        content = file.read(min(end - at - head, _MOST_BYTES))
        yield kind, content
        if kind in _HOLDERS:
            yield from boxes(io.BytesIO(content[_HOLDERS[kind] :]))
        at = end


def brands(start: bytes) -> frozenset[bytes]:
    """Return the brands that the first bytes of a file name, none of another kind of file."""
    if start[4:8] != b"ftyp":
        return frozenset()
    length = min(len(start), int.from_bytes(start[:4], "big"))
    return frozenset(start[at : at + 4] for at in (8, *range(16, length - 3, 4)))
