"""PNG, what it says of itself, and how it is opened."""

import os
import struct
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
from PIL import PngImagePlugin

from pipeline.scan.container import (
    MUCH_BYTES,
    Container,
    Page,
    Reader,
    broken,
    guarded,
)
from pipeline.scan.encoding import Encoding, power, srgb
from pipeline.scan.picture import PICTURE, stated
from pipeline.scan.png import PngRows
from pipeline.scan.whole import page_of, whole_reader

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
