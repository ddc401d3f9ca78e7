"""Scans of formats that are decoded whole, PNG, JPEG, camera raw and others, or PNG row by row."""

import importlib
import warnings
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import wraps
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
from PIL import ExifTags, Image, JpegImagePlugin, PngImagePlugin

from pipeline.kinds import Codes, Span
from pipeline.problem import ScanProblem
from pipeline.scan.container import (
    Container,
    OfColour,
    Opened,
    Page,
    Reader,
    broken,
    check_colour,
    check_decoded,
    check_dimensions,
    guarded,
    in_turn,
    with_tags,
)
from pipeline.scan.encoding import Encoding, linear, power, srgb
from pipeline.scan.stream import PngRows, is_interlaced

# PNG, third edition, 11.2.1: channels of each colour type, and the type of a palette.
_PNG_CHANNELS, _PALETTE = {0: 1, 2: 3, 4: 1, 6: 4}, 3
_PNG_END = b"IEND\xaeB`\x82"
# Channels of the modes of a JPEG that may be RGB.
_JPEG_CHANNELS = {"L": 1, "RGB": 3}
# Chunks of a PNG are often of a few kilobytes.
_BUFFER_BYTES = 256 << 10
_LOSSY = "8-bit JPEG loses shadow detail of the film: scan to 16-bit TIFF instead"
_OTHER_PICTURE = "is not the picture it says it is"
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
        own = _png_curve(picture.info)
        if kind == _PALETTE:
            return (_page(path, _PICTURE, picture.size, picture.info, 8, 3, own),)
        size, channels = picture.size, _PNG_CHANNELS[kind]
        return (_page(path, _PNG, size, picture.info, bits, channels, own),)


def jpeg_pages(path: Path) -> tuple[Page, ...]:
    """Describe the picture of a JPEG, with a note that it holds less than film does.

    Raises
    ------
    ScanProblem
        The file is damaged or not RGB.
    """
    with guarded(path), path.open("rb") as handle:
        picture = _jpeg(handle)
        channels = _JPEG_CHANNELS.get(picture.mode)
        if channels is None:
            raise ScanProblem(path, f"is {picture.mode}, not RGB", "scan or save it as RGB")
        return (_page(path, _JPEG, picture.size, picture.info, 8, channels, None, (_LOSSY,)),)


def picture_pages(path: Path) -> tuple[Page, ...]:
    """Describe the first picture of a file of another format, 8 bits a channel.

    Raises
    ------
    ScanProblem
        The file is damaged or not RGB.
    """
    with guarded(path), _picture(path) as file:
        shape = file.properties(index=0).shape
        channels = 1 if len(shape) < 3 else shape[2]
        info = file.metadata(index=0)
        return (_page(path, _PICTURE, shape[1::-1], info, 8, channels, None),)


def raw_pages(path: Path) -> tuple[Page, ...]:
    """Describe the picture of a camera raw file as the sensor has it, not turned.

    Raises
    ------
    ScanProblem
        The file is damaged, or the optional library that develops raw is not installed.
    """
    library = _raw_library(path)
    with guarded(path), library.imread(str(path)) as raw:
        width, height = int(raw.sizes.width), int(raw.sizes.height)
        check_dimensions(path, width, height, path.stat().st_size, width * height)
        check_decoded(path, 6 * width * height)
    light = linear("container", "linear sensor light")
    block = height, width
    return (Page(_RAW, width, height, 16, 3, block, encoding=light, notes=(_RAW_NOTE,)),)


class WholeReader(OfColour):
    """Windows of a decoded picture."""

    def __init__(self, codes: Codes) -> None:
        self._codes = codes

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        return np.ascontiguousarray(self._codes[slice(*rows), slice(*columns)])


class PictureReader(OfColour):
    """Windows of a picture as its library holds it, which is copied a window at a time."""

    def __init__(self, picture: Image.Image) -> None:
        self._picture = picture

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        return np.array(self._picture.crop((columns[0], rows[0], columns[1], rows[1])))


@contextmanager
def _picture(path: Path) -> Iterator[Any]:
    """Open a picture of any format that the library knows, which takes long to load."""
    from imageio.v3 import imopen

    with warnings.catch_warnings():
        # Of pictures larger than a screen.
        warnings.filterwarnings("ignore", module=r"PIL\.")
        with imopen(path, "r", plugin="pillow") as file:
            yield file


def _jpeg(handle: BinaryIO) -> JpegImagePlugin.JpegImageFile:
    """Open a JPEG; damaged Exif is no reason to talk, let alone to refuse it."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", module=r"PIL\.")
        return JpegImagePlugin.JpegImageFile(handle)


def _whole(decode: Callable[[Path, Page], Reader]) -> Opened:
    """Return how pictures are opened that are decoded in one piece.

    In order, only one large one is decoded and held at a time.
    """

    @contextmanager
    @wraps(decode)
    def opened(path: Path, page: Page, in_order: bool = False) -> Iterator[Reader]:
        with in_turn(page.width * page.height * page.samples * page.bits // 8 if in_order else 0):
            with guarded(path):
                reader = decode(path, page)
            yield reader

    return opened


@_whole
def _open_jpeg(path: Path, page: Page) -> Reader:
    # Unlike others this decoder refuses a file that is cut short, instead of filling with grey.
    with path.open("rb") as handle:
        picture = _jpeg(handle)
        picture.load()
    if picture.size != (page.width, page.height) or picture.mode != "RGB":
        raise broken(path, _OTHER_PICTURE)
    return PictureReader(picture)


@_whole
def _open_picture(path: Path, page: Page) -> Reader:
    with _picture(path) as file:
        return _whole_reader(path, page, np.asarray(file.read(index=0, mode="RGB")))


@_whole
def _open_whole_png(path: Path, page: Page) -> Reader:
    return _whole_reader(path, page, np.asarray(imagecodecs.png_decode(path.read_bytes())))


@_whole
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
        return _whole_reader(path, page, np.asarray(developed))


def _whole_reader(path: Path, page: Page, codes: Codes) -> WholeReader:
    if codes.shape[:2] != (page.height, page.width) or codes.shape[2] < 3:
        raise broken(path, _OTHER_PICTURE)
    # The compiled loops take no arrays that can't be written to.
    return WholeReader(np.require(codes[..., :3], requirements=["W"]))


@contextmanager
def _open_png(path: Path, page: Page, in_order: bool = False) -> Iterator[Reader]:
    """Decode a PNG, row by row where they are read in order and not interlaced."""
    with ExitStack() as stack:
        rows = None
        if in_order:
            with guarded(path):
                file = stack.enter_context(path.open("rb", buffering=_BUFFER_BYTES))
                rows = None if is_interlaced(file) else PngRows(path, file, page)
        yield rows or stack.enter_context(_open_whole_png(path, page, in_order))


_PNG, _RAW = Container(_open_png), Container(_open_raw)
_JPEG, _PICTURE = Container(_open_jpeg, lossy=True), Container(_open_picture)


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


def _page(
    path: Path,
    container: Container,
    size: tuple[int, int],
    info: dict[Any, Any],
    bits: int,
    channels: int,
    own: Encoding | None,
    notes: tuple[str, ...] = (),
) -> Page:
    """Describe a picture that is opened but not decoded."""
    check_colour(path, channels)
    width, height = size
    wanted = width * height * channels * bits // 8
    check_dimensions(path, width, height, path.stat().st_size, wanted)
    check_decoded(path, wanted)
    page = Page(container, width, height, bits, channels, (height, width), notes=notes)
    tags = _exif(info.get("exif", b""))
    return with_tags(page, tags, info.get("icc_profile"), own, info.get("dpi"))


def _png_curve(info: dict[Any, Any]) -> Encoding | None:
    """Return what the chunks sRGB and gAMA say, the first before the second.

    PNG, third edition, 4.3 and 11.3.2.2: gAMA is the exponent from light to codes.
    """
    if "srgb" in info:
        return srgb("container")
    gamma = info.get("gamma")
    return power(round(1.0 / gamma, 4), "container") if gamma else None


def _exif(packet: bytes) -> dict[str, Any]:
    """Return the Exif tags by name; none where they are damaged, for they're no picture."""
    exif = Image.Exif()
    try:
        exif.load(packet)
        tags = {**exif, **exif.get_ifd(ExifTags.IFD.Exif)}
    # The parser of a damaged packet raises nearly anything.
    except Exception:
        return {}
    return {ExifTags.TAGS.get(code, str(code)): value for code, value in tags.items()}
