"""Kinds of pictures in TIFF and DNG, and which of them are light as they are."""

from pathlib import Path
from typing import Any

from pipeline.problem import ScanProblem
from pipeline.scan.container import check_colour
from pipeline.scan.stream import JPEG
from pipeline.scan.tiff_plane import Ifd

# TIFF 6.0, sections 3, 4, 5, 6, 16, 21 and 23; the last two DNG 1.7, chapter 4.
_RGB, _YCBCR, MOSAIC, LINEAR_RAW = 2, 6, 32803, 34892
_KINDS = {3: "a palette", 4: "a mask", 5: "CMYK", 8: "CIELAB", MOSAIC: "a sensor mosaic"}
# DNG 1.7, chapter 4: tags that change the codes of a linear picture before they are light.
_LINEARIZATION_TABLE, _BLACK_LEVEL, _WHITE_LEVEL = 50712, 50714, 50717


def check_kind(path: Path, ifd: Ifd) -> None:
    """Raise if a page isn't RGB."""
    kind = ifd.photometric
    if ifd.samplesperpixel == 1 and kind not in _KINDS:
        check_colour(path, 1)
    if kind in _KINDS:
        raise ScanProblem(path, f"is {_KINDS[kind]}, not RGB", "scan or save it as RGB")
    if kind == _YCBCR and ifd.compression == JPEG:
        kind = _RGB
    if kind not in (_RGB, LINEAR_RAW):
        raise ScanProblem(path, "has channels that are not RGB", "scan or save it as RGB")
    check_colour(path, ifd.samplesperpixel)
    if kind == LINEAR_RAW and needs_developing(ifd):
        raise ScanProblem(path, "is a raw picture with levels of its own", "save it as a TIFF")


def needs_developing(ifd: Ifd) -> bool:
    """Tell whether linear raw codes don't run from 0 for black to full scale for white."""
    full = 1.0 if ifd.dtype is None or ifd.dtype.kind == "f" else 2**ifd.bitspersample - 1
    white = _numbers(ifd.tags.valueof(_WHITE_LEVEL, full))
    # Black levels are rationals: a list of numerators and denominators in turn.
    black = _numbers(ifd.tags.valueof(_BLACK_LEVEL, 0))
    if ifd.tags.get(_BLACK_LEVEL) is not None and ifd.tags[_BLACK_LEVEL].dtype == 5:
        black = black[::2]
    return (
        ifd.tags.get(_LINEARIZATION_TABLE) is not None
        or any(black)
        or any(number != full for number in white)
    )


def _numbers(value: Any) -> tuple[float, ...]:
    """Return the numbers of a tag, be it one or many."""
    return tuple(value) if isinstance(value, (tuple, list)) else (value,)
