"""Camera raw, developed in bands of rows where its mosaic is the usual one, else as a whole."""

import importlib
import io
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from pipeline.kinds import Codes, Span
from pipeline.problem import ScanProblem
from pipeline.scan.container import (
    Container,
    OfColour,
    Page,
    Reader,
    broken,
    check_decoded,
    check_dimensions,
    guarded,
    in_turn,
)
from pipeline.scan.encoding import linear
from pipeline.scan.tags import with_tags
from pipeline.scan.whole import OTHER_PICTURE, whole_reader

# LibRaw's turns, as Exif orientations.
_TURNS = {3: 3, 5: 8, 6: 6}
_NOTE = "camera raw: light of the sensor, without white balance"
# Bytes that developing a whole picture holds a pixel (measured), and those of the mosaic alone.
_WHOLE_BYTES, _MOSAIC_BYTES = 16.8, 2
# Pixels of a band, of which developing holds 14 bytes each, and its rows at the least; rows above
# and below that its outermost rows are developed from. The developer looks no further than 10.
_BAND_PIXELS, _LEAST_ROWS, _APRON_ROWS = 2 << 20, 64, 16
_COLOURS, _MOSAIC = "RGB", 32803
# Of the linear light of IEC 61966-2-1 in CIE XYZ, with the digits that the developer has.
_XYZ_OF_SRGB = np.array([
    [0.4124564, 0.3575761, 0.1804375],
    [0.2126729, 0.7151522, 0.0721750],
    [0.0193339, 0.1191920, 0.9503041],
])  # fmt: skip


def raw_pages(path: Path) -> tuple[Page, ...]:
    """Describe the picture of a camera raw file as the sensor has it, not turned.

    Raises
    ------
    ScanProblem
        The file is damaged, or the optional library that develops raw is not installed.
    """
    with guarded(path), _developer(path) as raw:
        width, height = int(raw.sizes.width), int(raw.sizes.height)
        turn = _TURNS.get(int(raw.sizes.flip), 1)
        check_dimensions(path, width, height, path.stat().st_size, width * height)
        a_pixel = _MOSAIC_BYTES if _is_usual(raw) else _WHOLE_BYTES
        held = round(a_pixel * width * height)
        notes = (_NOTE, *check_decoded(path, held))
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


@contextmanager
def _opened(path: Path, page: Page, in_order: bool = False) -> Iterator[Reader]:
    with ExitStack() as stack:
        stack.enter_context(in_turn(page.held_bytes if in_order else 0))
        with guarded(path), ExitStack() as file:
            raw = file.enter_context(_developer(path))
            if (raw.sizes.height, raw.sizes.width) != (page.height, page.width):
                raise broken(path, OTHER_PICTURE)
            if _is_usual(raw) and _is_complete(raw):
                reader: Reader = RawBands(path, raw)
                stack.enter_context(file.pop_all())
            else:
                reader = whole_reader(path, page, np.asarray(_developed(path, raw)))
        yield reader


_RAW = Container(_opened)


def _developed(path: Path, raw: Any) -> Codes:
    library = _raw_library(path)
    codes: Codes = raw.postprocess(
        gamma=(1, 1),
        no_auto_bright=True,
        # Else full scale would depend on the brightest pixel of each picture.
        adjust_maximum_thr=0.0,
        output_bps=16,
        output_color=library.ColorSpace.raw,
        user_wb=[1.0, 1.0, 1.0, 1.0],
        user_flip=0,
    )
    return codes


def _is_usual(raw: Any) -> bool:
    """Tell whether an open raw file is a mosaic of 2 x 2 pixels of red, green, green and blue."""
    sizes = raw.sizes
    pattern = raw.raw_pattern
    return bool(
        int(raw.raw_type.value) == 0
        and raw.color_desc == b"RGBG"
        and pattern is not None
        and sorted(pattern.flat) == [0, 1, 2, 3]
        and np.linalg.matrix_rank(raw.color_matrix[:, :3]) == len(_COLOURS)
        and sizes.pixel_aspect == 1
        and (sizes.iheight, sizes.iwidth) == (sizes.height, sizes.width)
    )


def _is_complete(raw: Any) -> bool:
    """Tell whether all samples were taken: where some lie far below black, the developer mends."""
    mosaic = raw.raw_image_visible
    return mosaic.dtype == np.uint16 and (
        min(raw.black_level_per_channel) == 0 or bool(mosaic.all())
    )


class RawBands(OfColour):
    """Windows of an open raw file, of which the mosaic alone is held.

    Each band is given to the developer as a raw picture of its own, with rows around it.
    """

    def __init__(self, path: Path, raw: Any) -> None:
        self._path, self._mosaic = path, raw.raw_image_visible
        self._options = _band_options(raw)
        # An even number, so that all bands begin with the same colours.
        self._rows = max(_LEAST_ROWS, _BAND_PIXELS // self._mosaic.shape[1] // 2 * 2)
        self._first, self._band = 0, np.empty((0, 0, 3), np.uint16)

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        codes = np.empty((rows[1] - rows[0], columns[1] - columns[0], 3), np.uint16)
        at = rows[0]
        with guarded(self._path):
            while at < rows[1]:
                self._reach(at)
                last = min(rows[1], self._first + len(self._band))
                band = self._band[at - self._first : last - self._first]
                codes[at - rows[0] : last - rows[0]] = band[:, slice(*columns)]
                at = last
        return codes

    def _reach(self, row: int) -> None:
        """Develop the band of a row, unless it is at hand."""
        first = row // self._rows * self._rows
        if first == self._first and len(self._band):
            return
        last = min(first + self._rows, len(self._mosaic))
        top, bottom = max(0, first - _APRON_ROWS), min(len(self._mosaic), last + _APRON_ROWS)
        file = io.BytesIO()
        tifffile.imwrite(file, np.ascontiguousarray(self._mosaic[top:bottom]), **self._options)
        file.seek(0)
        with _raw_library(self._path).imread(file) as raw:
            developed = _developed(self._path, raw)
        if developed.shape != (bottom - top, self._mosaic.shape[1], 3):
            raise broken(self._path, OTHER_PICTURE)
        self._first, self._band = first, developed[first - top : last - top]


def _band_options(raw: Any) -> dict[str, Any]:
    """Return how a band is written as a DNG that is developed as the whole is (DNG 1.7, 4).

    The developer weighs directions by colours as seen, so bands tell the sensor's too. It makes
    its matrix of the one that is written by `_XYZ_OF_SRGB`, each row to a sum of 1.
    """
    pattern = raw.raw_pattern
    names = raw.color_desc.decode("ascii")
    own = np.linalg.inv(raw.color_matrix[:, :3]) @ np.linalg.inv(_XYZ_OF_SRGB)
    scale = 100_000_000
    matrix = [n for value in own.flat for n in (round(float(value) * scale), scale)]
    black = [int(raw.black_level_per_channel[channel]) for channel in pattern.flat]
    tags = [
        (50706, 1, 4, (1, 4, 0, 0), True),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, tuple(_COLOURS.index(names[channel]) for channel in pattern.flat), True),
        (50708, 2, 0, "band", True),
        (50713, 3, 2, (2, 2), True),
        (50714, 4, 4, tuple(black), True),
        (50717, 4, 1, int(raw.white_level), True),
        (50721, 10, 9, tuple(matrix), True),
        (50778, 3, 1, 21, True),
    ]
    return {"photometric": _MOSAIC, "metadata": None, "extratags": tags}


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
