"""PNG row by row, and camera raw as a whole."""

import importlib
import os
import struct
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
from PIL import PngImagePlugin

from pipeline.problem import ScanProblem
from pipeline.scan.container import (
    MUCH_BYTES,
    Container,
    Page,
    Reader,
    broken,
    check_decoded,
    check_dimensions,
    guarded,
    with_tags,
)
from pipeline.scan.encoding import Encoding, linear, power, srgb
from pipeline.scan.picture import PICTURE, stated
from pipeline.scan.png import PngRows
from pipeline.scan.whole import page_of, whole, whole_reader

# PNG, third edition, 11.2.1: channels of each colour type, and the type of a palette.
_PNG_CHANNELS, _PALETTE = {0: 1, 2: 3, 4: 1, 6: 4}, 3
_FEW_COLOURS = "has a palette of 256 colours at the most: save it with all its colours"
_PNG_END = b"IEND\xaeB`\x82"
# Chunks of a PNG are often of a few kilobytes.
_BUFFER_BYTES = 256 << 10
# LibRaw's turns, as Exif orientations.
_RAW_TURNS = {3: 3, 5: 8, 6: 6}
_RAW_HELD = 2.8
_RAW_NOTE = "camera raw: light of the sensor, without white balance"


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


def raw_pages(path: Path) -> tuple[Page, ...]:
    """Describe the picture of a camera raw file as the sensor has it, not turned.

    Raises
    ------
    ScanProblem
        The file is damaged, or the optional library that develops raw is not installed.
    """
    with guarded(path), _developer(path) as raw:
        width, height = int(raw.sizes.width), int(raw.sizes.height)
        turn = _RAW_TURNS.get(int(raw.sizes.flip), 1)
        check_dimensions(path, width, height, path.stat().st_size, width * height)
        held = round(_RAW.held * 6 * width * height)
        notes = (_RAW_NOTE, *check_decoded(path, held))
    light = linear("container", "linear sensor light")
    page = Page(_RAW, width, height, 16, 3, (height, width), held, notes=notes)
    # A sensor's tags of resolution mean nothing on film.
    tags = {name: value for name, value in raw_tags(path).items() if "Resolution" not in name}
    return (replace(with_tags(page, tags, None, light), orientation=turn),)


@contextmanager
def _developer(path: Path) -> Iterator[Any]:
    """Open a raw file, or say that it is none."""
    library = _raw_library(path)
    try:
        raw = library.imread(str(path))
    except library.LibRawFileUnsupportedError as error:
        raise ScanProblem(
            path,
            "is damaged, or no camera raw that can be developed",
            "save it as a 16-bit TIFF, or copy the file again",
        ) from error
    with raw:
        yield raw


@whole
def _open_raw(path: Path, page: Page) -> Reader:
    library = _raw_library(path)
    with library.imread(str(path)) as raw:
        developed = raw.postprocess(
            gamma=(1, 1),
            no_auto_bright=True,
            # Else full scale would depend on the brightest pixel of each picture.
            adjust_maximum_thr=0.0,
            output_bps=16,
            output_color=library.ColorSpace.raw,
            user_wb=[1.0, 1.0, 1.0, 1.0],
            user_flip=0,
        )
        return whole_reader(path, page, np.asarray(developed))


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


_PNG, _RAW = Container(_open_png), Container(_open_raw, held=_RAW_HELD)


def raw_tags(path: Path) -> dict[str, Any]:
    """Return the tags of a raw file by their names in Exif; none where they can't be read."""
    import exiv2

    try:
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        named = {datum.tagName(): datum for datum in image.exifData() if _is_own(datum)}
        return {name: _plain(datum) for name, datum in named.items()}
    # It knows not every camera's file, and the picture is read without.
    except Exception:
        return {}


def _is_own(datum: Any) -> bool:
    return str(datum.groupName()) in ("Image", "Photo")


def _plain(datum: Any) -> Any:
    """Return a text or a number."""
    text = str(datum.toString())
    try:
        return float(Fraction(text))
    except (ValueError, ZeroDivisionError):
        return text


def _raw_library(path: Path) -> Any:
    """Return the raw developer, an optional extra of the package."""
    try:
        return importlib.import_module("rawpy")
    except ImportError as error:
        raise ScanProblem(
            path,
            "is camera raw, which this installation can't develop",
            "run pip install 'evenroll[raw]', or develop it to a linear TIFF",
        ) from error


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
