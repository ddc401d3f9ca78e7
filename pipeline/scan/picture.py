"""Pictures of phones and of the web, decoded whole: HEIF, AVIF, JPEG 2000, JPEG XL, WebP, BMP."""

import struct
import warnings
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np

from pipeline.problem import ScanProblem
from pipeline.scan.bmff import boxes, brands
from pipeline.scan.bmp import bmp_rows, opened_bmp
from pipeline.scan.container import Container, DamageError, Page, Reader, broken, guarded, in_turn
from pipeline.scan.encoding import Encoding, power, srgb, transfer
from pipeline.scan.j2k import TileReader, Tiles, tiles_of
from pipeline.scan.jxl import JxlHeader, NoStill, jxl_header
from pipeline.scan.names import PICTURE_SUFFIXES
from pipeline.scan.whole import OTHER_PICTURE, page_of, whole, whole_reader

START_BYTES = 64
_JXL_BOX, _JXL_START = b"\0\0\0\x0cJXL \r\n\x87\n", b"\xff\x0a"
_JP2_BOX, _J2K_START = b"\0\0\0\x0cjP  \r\n\x87\n", b"\xff\x4f\xff\x51"
_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_AVIF_BRANDS = {b"avif", b"avis"}
_UNREADABLE = {
    b"GIF8": "is a GIF of 256 colours",
    b"%PDF": "is a document",
    b"8BPS": "is a layered picture of an editor",
    b"v/1\x01": "is an OpenEXR picture",
}
# Enough of a codestream for what it says of itself.
_CODED_BYTES = 4096
# All boxes before it are in the first bytes.
_BOXES_BYTES = 8 << 20
_METRE_INCHES = 0.0254
# ISO/IEC 15444-1, I.5.3.3: the numbers of colour spaces.
_SPACES = {12: "CMYK", 14: "CIELAB", 18: "luma and chroma"}
_GREY = 17
_PACKED = "its colour profile is packed in a way unknown here: taken as sRGB; else give a gamma"


def picture_kind(start: bytes, suffix: str) -> Callable[[Path], tuple[Page, ...]] | None:
    """Return what describes the pages of a file, by its first bytes, else by its suffix."""
    named = brands(start)
    if start.startswith((_JXL_BOX, _JXL_START)):
        return _jxl_pages
    if start.startswith((_JP2_BOX, _J2K_START)):
        return _jp2_pages
    if named & _AVIF_BRANDS:
        return _avif_pages
    if named & _HEIF_BRANDS:
        return _heif_pages
    if start[:2] == b"BM":
        return _bmp_pages
    if start[:4] == b"RIFF" and start[8:12] == b"WEBP":
        return _other_pages
    if start[:4] in _UNREADABLE:
        return _refused
    return _other_pages if suffix in PICTURE_SUFFIXES else None


def _refused(path: Path) -> tuple[Page, ...]:
    with path.open("rb") as handle:
        what = _UNREADABLE[handle.read(4)]
    raise ScanProblem(path, f"{what}, not a picture that can be read", "save it as a 16-bit TIFF")


def _other_pages(path: Path, container: Container | None = None) -> tuple[Page, ...]:
    with guarded(path), _opened(path) as file:
        shape = file.properties(index=0).shape
        channels = 1 if len(shape) < 3 else shape[2]
        info = file.metadata(index=0)
        return (page_of(path, container or PICTURE, shape[1::-1], info, 8, channels, None),)


def _bmp_pages(path: Path) -> tuple[Page, ...]:
    with guarded(path):
        if bmp_rows(path) is None:
            return _other_pages(path)
    (page,) = _other_pages(path, _BMP)
    return (replace(page, block=None),)


def _avif_pages(path: Path) -> tuple[Page, ...]:
    with guarded(path), _opened(path) as file, path.open("rb") as handle:
        shape, info = file.properties(index=0).shape, file.metadata(index=0)
        bits, own = 8, None
        for kind, content in boxes(handle):
            if kind == b"av1C":
                # AV1 in ISO BMFF, 2.3.3: high_bitdepth, then twelve_bit.
                bits = max(bits, 8 + 2 * (content[2] >> 6 & 1) + 2 * (content[2] >> 5 & 1))
            elif kind == b"colr" and content[:4] == b"nclx":
                own = stated(path, struct.unpack_from(">H", content, 6)[0])
        channels = 1 if len(shape) < 3 else shape[2]
        return (page_of(path, _AVIF, shape[1::-1], info, bits, channels, own),)


def _heif_pages(path: Path) -> tuple[Page, ...]:
    """Describe the main picture; its turn is part of it and is carried out by the decoder."""
    with guarded(path):
        file = _heif(path)
        info = {"exif": file.info.get("exif") or b"", "icc_profile": file.info.get("icc_profile")}
        colours = file.info.get("nclx_profile") or {}
        own = stated(path, colours.get("transfer_characteristics"))
        channels = len(file.mode.split(";")[0])
        page = page_of(path, _HEIF, file.size, info, file.info["bit_depth"], channels, own)
        return (replace(page, orientation=1),)


def _jp2_pages(path: Path) -> tuple[Page, ...]:
    with guarded(path), path.open("rb") as file:
        coded = file.read(_CODED_BYTES)
        info: dict[str, Any] = {}
        own = None
        for kind, content in boxes(file) if coded.startswith(_JP2_BOX) else ():
            if kind == b"jp2c":
                coded = content
            elif kind in (b"resc", b"resd") and "dpi" not in info:
                info["dpi"] = _resolution(content)
            elif kind == b"colr" and content[0] == 1:
                space = int.from_bytes(content[3:7], "big")
                if space in _SPACES:
                    what = f"is {_SPACES[space]}, not RGB"
                    raise ScanProblem(path, what, "scan or save it as RGB")
                own = srgb("container") if space != _GREY else None
            elif kind == b"colr":
                info["icc_profile"] = content[3:]
        width, height, channels, bits = _coded_size(coded)
        tiles = _j2k_tiles(file)
        if tiles is None or tiles.block is None:
            return (page_of(path, _JP2, (width, height), info, bits, channels, own),)
        (high, wide), pixel = tiles.block, channels * -(-bits // 8)
        # One that is decoded, and a row of them.
        held = round(_JP2.held * high * wide * pixel) + high * width * pixel
        size = width, height
        page = page_of(path, _JP2_TILES, size, info, bits, channels, own, held_bytes=held)
        return (replace(page, block=tiles.block),)


def _j2k_tiles(file: BinaryIO) -> Tiles | None:
    """Return the tiles of an open JPEG 2000; None where they or its boxes ask for all of it."""
    file.seek(0)
    is_boxed = file.read(len(_JP2_BOX)) == _JP2_BOX
    # A palette, or channels in an order of their own.
    if is_boxed and any(kind in (b"pclr", b"cdef") for kind, _ in boxes(file)):
        return None
    file.seek(0)
    start = file.read(_BOXES_BYTES).find(_J2K_START)
    return None if start < 0 else tiles_of(file, start)


def _coded_size(data: bytes) -> tuple[int, int, int, int]:
    """Return width, height, channels and bits of a codestream (ISO/IEC 15444-1, A.5.1)."""
    at = data.index(_J2K_START) + 8
    right, lower, left, top = struct.unpack_from(">4I", data, at)
    channels, depth = struct.unpack_from(">HB", data, at + 32)
    if depth & 0x80 or depth >= 16:
        raise DamageError("its samples are of a kind unknown here")
    return right - left, lower - top, channels, depth + 1


def _resolution(content: bytes) -> tuple[float, float]:
    """Return pixels per inch across and down (ISO/IEC 15444-1, I.5.3.7)."""
    up, over, up_across, over_across, power_down, power_across = struct.unpack(">4H2b", content)
    across = up_across / over_across * 10.0**power_across
    return across * _METRE_INCHES, up / over * 10.0**power_down * _METRE_INCHES


def _jxl_pages(path: Path) -> tuple[Page, ...]:
    with guarded(path), path.open("rb") as file:
        coded, info = file.read(_CODED_BYTES), {"exif": b""}
        if coded.startswith(_JXL_BOX):
            coded = b""
            for kind, content in boxes(file):
                if kind in (b"jxlc", b"jxlp") and len(coded) < _CODED_BYTES:
                    coded += content[4 if kind == b"jxlp" else 0 :][:_CODED_BYTES]
                elif kind == b"Exif":
                    info["exif"] = info["exif"] or content[4:]
        header = _jxl_header(path, coded)
        own = stated(path, header.transfer)
        if header.gamma is not None:
            own = power(round(1.0 / header.gamma, 4), "container")
        notes = (_PACKED,) if own is None and header.transfer is None else ()
        size = header.width, header.height
        page = page_of(path, _JXL, size, info, header.bits, header.channels, own, notes)
        return (replace(page, floating=header.floating, orientation=header.orientation),)


def _jxl_header(path: Path, coded: bytes) -> JxlHeader:
    try:
        return jxl_header(coded)
    except NoStill as error:
        raise ScanProblem(path, str(error), "save the one picture as a 16-bit TIFF") from error


def stated(path: Path, number: int | None) -> Encoding | None:
    """Return the encoding that a number of ITU-T H.273, table 3, means, None where it says none.

    Raises
    ------
    ScanProblem
        It is made for displays of high dynamic range.
    """
    try:
        return None if number is None else transfer(number)
    except ValueError as error:
        raise ScanProblem(
            path, f"is {error}", "save it as a 16-bit TIFF, or take it without that"
        ) from error


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open a picture of any format that the library knows, which takes long to load."""
    from imageio.v3 import imopen

    with warnings.catch_warnings():
        # Of pictures larger than a screen.
        warnings.filterwarnings("ignore", module=r"PIL\.")
        with imopen(path, "r", plugin="pillow") as file:
            yield file


def _heif(path: Path) -> Any:
    from pillow_heif import open_heif

    return open_heif(path, convert_hdr_to_8bit=False)


@whole
def _open_other(path: Path, page: Page) -> Reader:
    with _opened(path) as file:
        return whole_reader(path, page, np.asarray(file.read(index=0, mode="RGB")))


@whole
def _open_heif(path: Path, page: Page) -> Reader:
    file = _heif(path)
    codes = np.asarray(file[file.primary_index])
    # The library spreads codes of more than 8 bits over 16.
    return whole_reader(path, page, codes if page.bits == 8 else codes >> (16 - page.bits))


@whole
def _open_avif(path: Path, page: Page) -> Reader:
    codes = np.asarray(imagecodecs.avif_decode(path.read_bytes()))
    # Of moving pictures all come.
    return whole_reader(path, page, codes[0] if codes.ndim == 4 else codes)


@contextmanager
def _open_jp2_tiles(path: Path, page: Page, in_order: bool = False) -> Iterator[Reader]:
    with in_turn(page.held_bytes if in_order else 0), ExitStack() as stack:
        with guarded(path):
            file = stack.enter_context(path.open("rb"))
            tiles = _j2k_tiles(file)
            if tiles is None or tiles.size != (page.width, page.height):
                raise broken(path, OTHER_PICTURE)
        yield TileReader(path, file, tiles, np.dtype(np.uint8 if page.bits <= 8 else np.uint16))


@whole
def _open_jp2(path: Path, page: Page) -> Reader:
    return whole_reader(path, page, np.asarray(imagecodecs.jpeg2k_decode(path.read_bytes())))


@whole
def _open_jxl(path: Path, page: Page) -> Reader:
    decoded = imagecodecs.jpegxl_decode(path.read_bytes(), keeporientation=True)
    codes = np.asarray(decoded)
    return whole_reader(path, page, codes.astype(np.float32) if page.floating else codes)


# Measured on pictures of 24 Mpx, of 16 bits where the format has them.
PICTURE, _HEIF = Container(_open_other, held=7.5), Container(_open_heif, held=2.5)
_AVIF = Container(_open_avif, held=2.5)
_BMP = Container(opened_bmp)
_JP2_TILES = Container(_open_jp2_tiles, in_parts=True)
_JP2, _JXL = Container(_open_jp2, held=4.5), Container(_open_jxl, held=2.0)
