"""Pictures as files, packed without loss, with their colour profile and metadata.

Files of a frame are not settled (`atomic`): the journal, which is written after them, is.
"""

import contextlib
import io
import itertools
import os
import sys
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, BinaryIO, cast

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin

from pipeline.kinds import Pixels
from pipeline.problem import OutputProblem
from pipeline.profile import Space, find_space, icc_profile
from pipeline.small_file import read_small
from pipeline.whole_file import SOFTWARE, atomic, check_replaceable, write_text
from pipeline.write.metadata import FrameMetadata, append_block, picture_tags
from pipeline.write.sidecar import Facts, embedded, xmp_packet

# TIFF 6.0, section 14: 2 = horizontal differences; TIFF technical note 3: 3 = for floats.
PREDICTOR = {"u": 2, "f": 3}
COMPRESSION = {"deflate": "adobe_deflate", "zstd": "zstd", "lzw": "lzw", "none": None}
_ZSTD_LEVEL = 3
# XMP specification part 3, 1.1.3: tag 700, bytes.
_XMP, _BYTE = 700, 1
_FULL_COLOUR_QUALITY = 90
_MOST_SIDECAR_BYTES = 16 << 20
_HASTENS, _HASTENED_BYTES = hasattr(os, "posix_fadvise"), 8 << 20


def packed(rows: Pixels, packing: str, scratch: Pixels | None = None) -> bytes:
    """Return rows (n, w, 3) as the bytes of a strip, little-endian, with differences first.

    Deflate is that of any reader, made by a library for speed: level 1 packs grain no worse than
    level 6 does. `scratch` may be pixels of at least as many rows, which are written over.
    """
    rows = np.ascontiguousarray(rows)
    if packing == "none":
        return _little(rows).tobytes()
    differences: Any = _differences(rows, scratch)
    if packing == "deflate":
        from isal import isal_zlib

        return bytes(isal_zlib.compress(memoryview(differences).cast("B"), 1))
    if packing == "zstd":
        return bytes(imagecodecs.zstd_encode(differences, level=_ZSTD_LEVEL))
    return bytes(imagecodecs.lzw_encode(differences))


def _differences(rows: Pixels, scratch: Pixels | None) -> NDArray[Any]:
    if rows.dtype.kind == "f":
        told: NDArray[Any] = imagecodecs.floatpred_encode(_little(rows), axis=-2)
        return told
    less = np.empty_like(rows) if scratch is None else scratch[: len(rows)]
    less[:, :1] = rows[:, :1]
    # As rows of single samples, since loops over three are slow.
    flat, out = rows.reshape(len(rows), -1), less.reshape(len(rows), -1)
    samples = rows.shape[2]
    np.subtract(flat[:, samples:], flat[:, :-samples], out=out[:, samples:])
    return _little(less)


def _little(values: Pixels) -> NDArray[Any]:
    return values if sys.byteorder == "little" else values.astype(values.dtype.newbyteorder("<"))


def write_sidecar(path: Path, metadata: FrameMetadata) -> None:
    """Write the XMP sidecar of a frame, atomically.

    Of one that it takes the place of, properties that are not ours stay, as other programs' ratings
    and places.

    Raises OutputProblem as `atomic` does, and if what it takes the place of can't be read.
    """
    check_replaceable(path)
    before = b""
    with contextlib.suppress(OSError):
        before = read_small(path, _MOST_SIDECAR_BYTES)
    try:
        packet = xmp_packet(metadata, before)
    except ValueError as error:
        # It may hold work of the user's.
        raise OutputProblem(path, "can't be read as XMP", "move it away and run again") from error
    write_text(path, packet, settle=False)


def write_share(
    path: Path,
    picture: NDArray[np.uint8],
    *,
    ppi: float,
    metadata: FrameMetadata,
    file_format: str = "jpeg",
    quality: int = 92,
) -> None:
    """Write an 8 bit sRGB picture, shape (rows, columns, 3), as JPEG or PNG, atomically.

    `quality` is JPEG's, 1 to 100; from 90 on, colour is kept at full resolution (4:4:4).

    Raises OutputProblem as `atomic` does, and for a JPEG with a side above 65500 pixels.
    """
    # The library's own limit, JPEG_MAX_DIMENSION in libjpeg's jmorecfg.h.
    if file_format != "png" and max(picture.shape) > 65500:
        remedy = "set share_size or share = 'png'"
        raise OutputProblem(path, "has more than 65500 pixels on a side", remedy)
    # Into memory first: the codecs hide the number of a disk's error.
    packed = share_bytes(
        picture, ppi=ppi, metadata=metadata, file_format=file_format, quality=quality
    )
    with atomic(path, settle=False) as file:
        file.write(packed)


def share_bytes(
    picture: NDArray[np.uint8],
    *,
    ppi: float,
    metadata: FrameMetadata,
    file_format: str = "jpeg",
    quality: int = 92,
) -> bytes:
    """Return an 8 bit sRGB picture, shape (rows, columns, 3), as `write_share` writes it."""
    _check_picture(picture, ("uint8",))
    space = find_space("srgb")
    facts = _facts(picture.shape[:2], ppi, space, jpeg=file_format == "jpeg")
    exif, xmp = embedded(metadata, facts)
    options: dict[str, Any] = {"icc_profile": icc_profile(space), "dpi": (ppi, ppi), "exif": exif}
    if file_format == "png":
        # XMP specification part 3, 1.1.5: an iTXt chunk with this keyword, not packed.
        text = PngImagePlugin.PngInfo()
        text.add_itxt("XML:com.adobe.xmp", xmp.decode("utf-8"))
        options |= {"pnginfo": text}
    else:
        options |= {"exif": b"Exif\0\0" + exif, "xmp": xmp}
        told = _saved(picture[:1, :1], "JPEG", options)
        pixels = _jpeg_pixels(picture, quality)
        return told[: _end_of_facts(told)] + pixels[_end_of_facts(pixels) :]
    return _saved(picture, "PNG", options)


def _saved(picture: NDArray[np.uint8], file_format: str, options: Mapping[str, Any]) -> bytes:
    packed = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(picture)).save(packed, file_format, **options)
    return packed.getvalue()


def _jpeg_pixels(picture: NDArray[np.uint8], quality: int) -> bytes:
    """Return a picture as a JPEG without facts; other threads go on meanwhile."""
    return bytes(
        imagecodecs.jpeg8_encode(
            np.ascontiguousarray(picture),
            level=quality,
            colorspace="rgb",
            outcolorspace="ycbcr",
            subsampling="444" if quality >= _FULL_COLOUR_QUALITY else "420",
        )
    )


def _end_of_facts(file: bytes) -> int:
    """Return where a JPEG's application segments end (ITU-T T.81, B.1.1.4: a length in each)."""
    at = 2
    while file[at] == 0xFF and 0xE0 <= file[at + 1] <= 0xEF:
        at += 2 + int.from_bytes(file[at + 2 : at + 4], "big")
    return at


def _facts(size: tuple[int, ...], ppi: float, space: Space, *, jpeg: bool = False) -> Facts:
    rows, columns = size
    return Facts(width=columns, height=rows, ppi=ppi, srgb=space.name == "srgb", jpeg=jpeg)


def write_archive(
    path: Path,
    bands: Iterator[Pixels],
    size: tuple[int, int],
    kind: str,
    *,
    space: Space,
    ppi: float,
    metadata: FrameMetadata,
    packing: str = "deflate",
) -> None:
    """Write a 16 bit or float32 RGB picture, which comes in bands, as TIFF, atomically.

    Bands are pixels (n, columns, 3) from the top down; all but the last have as many rows, and each
    is done with before the next is asked for. `size` is rows and columns of the whole, `kind` the
    type of its samples, 'uint16' or 'float32'; in `space` code 65535 is 1.0. `packing` is one of
    settings.ARCHIVE_PACKING, all without loss.

    Raises OutputProblem as `atomic` does, and for a picture of 4 GB or more.
    """
    if kind not in ("uint16", "float32"):
        raise ValueError(f"picture is {kind}, not uint16 or float32")
    if size[0] * size[1] * 3 * np.dtype(kind).itemsize >= (1 << 32) - (1 << 25):
        raise OutputProblem(path, "is too large for a TIFF", "set a smaller archive_size")
    exif, xmp = embedded(metadata, _facts(size, ppi, space))
    options: dict[str, Any] = {
        "photometric": "rgb",
        "compression": COMPRESSION[packing],
        "resolution": (ppi, ppi),
        "resolutionunit": "INCH",
        "iccprofile": icc_profile(space),
        "software": SOFTWARE,
        "metadata": None,
        "extratags": [*picture_tags(exif), (_XMP, _BYTE, len(xmp), xmp, True)],
    }
    if packing != "none":
        options["predictor"] = PREDICTOR[np.dtype(kind).kind]
    with atomic(path, settle=False) as file:
        _write_tiff(file, bands, (*size, 3), kind, packing, options)
        append_block(file, exif)


def _check_picture(picture: NDArray[Any], kinds: tuple[str, ...]) -> None:
    if picture.ndim != 3 or picture.shape[2] != 3 or not picture.size:
        raise ValueError(f"picture has shape {picture.shape}, not (rows, columns, 3)")
    if picture.dtype.name not in kinds:
        raise ValueError(f"picture is {picture.dtype.name}, not {' or '.join(kinds)}")


def _write_tiff(
    file: BinaryIO,
    bands: Iterator[Pixels],
    shape: tuple[int, int, int],
    kind: str,
    packing: str,
    options: dict[str, Any],
) -> None:
    first = next(bands, None)
    if first is None:
        raise ValueError("picture has no rows")
    _check_picture(first, (kind,))
    every = itertools.chain([first], bands)
    with tifffile.TiffWriter(file, bigtiff=False, byteorder="<") as tiff:
        if packing != "none":
            scratch = np.empty(first.shape, first.dtype)
            strips = (packed(band, packing, scratch) for band in every)
            tiff.write(
                _hastened(file, strips), shape=shape, dtype=kind, rowsperstrip=len(first), **options
            )
            return
        # Written here, since the library's own way of writing hides the number of a disk's error.
        place = tiff.write(shape=shape, dtype=kind, returnoffset=True, **options)
    file.seek(cast("tuple[int, int]", place)[0])
    for strip in _hastened(file, (packed(band, packing) for band in every)):
        file.write(strip)


def _hastened(file: BinaryIO, strips: Iterable[bytes]) -> Iterator[bytes]:
    """Yield strips to write; what is written goes on to the disk while more is made.

    So little is left to wait for at the end.
    """
    sent = file.tell()
    for strip in strips:
        yield strip
        place = file.tell()
        if _HASTENS and place - sent >= _HASTENED_BYTES:
            # Of what the disk has not got yet nothing is dropped: it begins to write that.
            with contextlib.suppress(OSError):
                os.posix_fadvise(file.fileno(), sent, place - sent, os.POSIX_FADV_DONTNEED)
            sent = place
