"""Boxes of files built after ISO/IEC 14496-12, and what they say of the picture in them."""

import struct
from collections.abc import Iterator

from pipeline.scan.container import DamageError

# ISO/IEC 14496-12, 8.11: what stands before the boxes inside these.
_HOLDERS = {b"meta": 4, b"iprp": 0, b"ipco": 0, b"jp2h": 0, b"res ": 0}

Box = tuple[bytes, bytes]


def boxes(data: bytes) -> Iterator[Box]:
    """Yield type and content of every box, those inside others after their holder.

    Raises
    ------
    DamageError
        A box is cut short.
    """
    at = 0
    while at + 8 <= len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        head = 8
        if size == 1 and at + 16 <= len(data):
            (size,), head = struct.unpack_from(">Q", data, at + 8), 16
        end = len(data) if size == 0 else at + size
        if size and not head <= size <= len(data) - at:
            raise DamageError("it is cut short")
        content = data[at + head : end]
        yield kind, content
        if kind in _HOLDERS:
            yield from boxes(content[_HOLDERS[kind] :])
        at = end


def brands(start: bytes) -> frozenset[bytes]:
    """Return the brands that the first bytes of a file name, none of another kind of file."""
    if start[4:8] != b"ftyp":
        return frozenset()
    length = min(len(start), int.from_bytes(start[:4], "big"))
    return frozenset(start[at : at + 4] for at in (8, *range(16, length - 3, 4)))
