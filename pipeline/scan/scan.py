"""Scans: windows of linear light on demand, and the reduced picture that surveys work on."""

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np

from pipeline.kinds import Codes, Light, Span
from pipeline.problem import ScanProblem, SettingsProblem
from pipeline.scan import jpeg, png, raw, tiff
from pipeline.scan.container import Page, Reader, Source, guarded
from pipeline.scan.content import FileState, file_state
from pipeline.scan.encoding import Encoding, linear, power, srgb, to_light
from pipeline.scan.names import RAW_SUFFIXES
from pipeline.scan.noise import DarkPlaces, lines_across, places_of_lines
from pipeline.scan.picture import START_BYTES, picture_kind
from pipeline.scan.proxy import Proxy, reduced

# First bytes: TIFF 6.0, section 2, and BigTIFF; PNG, 5.2; ITU-T T.81, B.1.1.3.
_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_PNG_START, _JPEG_START = b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff"
_LARGEST_GAMMA = 4.0
_EIGHT_BITS = "8 bits a channel lose shadow detail of the film: scan to 16 bits instead"
# Floats of 1.0 at full scale; a million times as much is twenty stops more than any light.
_LARGEST_FLOAT = 1e6
# So few stay in a cache until they are added up.
_BAND_SAMPLES = 1 << 20
# Standard deviation of what is rounded to whole codes, evenly spread over one. Compression as JPEG
# rounds means of whole blocks besides, with the grain in them, and in colours of its own: on the
# film model, at a quality of 85, 0.6 codes at all densities, in even patches as in grainy ones.
_CODES, _CODES_COMPRESSED = 12.0**-0.5, 0.6


@dataclass(frozen=True, kw_only=True)
class Scan(Page):
    """One colour picture of a file, of which only the description is held.

    Rows and columns are those of the picture as stored: `orientation`, the tag of TIFF and
    Exif (1 to 8), is told but not applied. `page` counts the colour pages of the file from 0.
    `ppi` and `encoding` are the user's, the file's or, for the latter, assumed. Pixels come from
    the file, or from `unpacked` where somebody has decoded it. `dark` are its darkest places, once
    somebody has looked at them all; `state` is that of the file, from before it was described.
    """

    path: Path
    page: int
    ppi_from: Literal["tag", "option"] | None
    encoding: Encoding
    unpacked: Source | None = field(default=None, repr=False, compare=False)
    dark: DarkPlaces | None = field(default=None, repr=False, compare=False)
    state: FileState | None = field(default=None, repr=False, compare=False)

    @property
    def infrared(self) -> bool:
        """Tell whether the picture has an infra-red plane."""
        return self.infrared_directory is not None or self.infrared_sample is not None


def open_scan(
    path: Path, *, gamma: float | None = None, ppi: float | None = None
) -> tuple[Scan, ...]:
    """Describe every colour page of a file; no pixel is decoded.

    Parameters
    ----------
    path
        A TIFF, PNG, JPEG, HEIF, AVIF, JPEG 2000, JPEG XL or WebP, told by its content; camera raw
        by its name.
    gamma
        Exponent from codes to light, 1 to 4, instead of what the file says.
    ppi
        Resolution, instead of what the file says.

    Raises
    ------
    ScanProblem
        The file can't be read, is damaged or cut short, or is not RGB.
    SettingsProblem
        Gamma or ppi make no sense.
    """
    _check_options(gamma, ppi)
    with guarded(path):
        state = file_state(path)
    scans = (_scan(path, number, page, gamma, ppi) for number, page in enumerate(_pages(path)))
    return tuple(replace(scan, state=state) for scan in scans)


def check_unchanged(scan: Scan) -> None:
    """Raise if a scan's file is not as it was when it was described.

    Raises
    ------
    ScanProblem
        It has changed, so that nothing found on it holds.
    """
    with guarded(scan.path):
        # Times of anything else and numbers on a disk differ between machines.
        if scan.state is not None and scan.state[:2] != file_state(scan.path)[:2]:
            raise ScanProblem(scan.path, "has changed since it was looked at", "start again")


@contextmanager
def opened(scan: Scan, in_order: bool = False) -> Iterator[Reader]:
    """Open a scan for reading several windows of code values; for one thread at a time.

    `in_order` promises bands of rows from the top downwards, as a whole: of scans that are
    compressed in large pieces that takes far less memory.
    """
    if scan.unpacked is not None:
        with scan.unpacked.opened() as reader:
            yield reader
        return
    with scan.container.opened(scan.path, scan, in_order) as reader:
        yield reader


def reduce(scan: Scan, factor: int) -> Proxy:
    """Average a scan in linear light by a whole factor, in bands, with little memory.

    Raises
    ------
    ScanProblem
        The file is damaged, or holds floats that are not finite.
    ValueError
        The factor is below 1.
    """
    if factor < 1:
        raise ValueError(f"a scan can't be reduced by {factor}")
    rows, columns = -(-scan.height // factor), -(-scan.width // factor)
    light = np.empty((rows, columns, 3), np.float32)
    mask = np.zeros((rows, columns), np.bool_)
    infrared = np.empty((rows, columns), np.float32) if scan.infrared else None
    counts = np.zeros(3, np.int64)
    looked_at, places = lines_across(scan.height, scan.width)
    lines: list[Codes] = []
    with opened(scan, in_order=True) as reader:
        for out, band in _bands(scan, factor):
            codes, plane = _band(scan, reader, band)
            bits = _integer_bits(scan.bits, codes)
            lines += [codes[row - band[0], places] for row in looked_at if row in range(*band)]
            light[out], mask[out], full = reduced(codes, scan.encoding, bits, factor)
            counts += full
            if infrared is not None and plane is not None:
                even, bits = linear("container"), _integer_bits(scan.infrared_bits, plane)
                infrared[out] = reduced(plane[..., None], even, bits, factor)[0][..., 0]
    dark = places_of_lines(lines, scan.encoding, scan.bits)
    return Proxy(light, factor, counts / (scan.width * scan.height), mask, infrared, dark)


def dark_places(scan: Scan) -> DarkPlaces:
    """Return what a scan's darkest places show, looked at now if nobody did before.

    Raises
    ------
    ScanProblem
        The file is damaged.
    """
    if scan.dark is not None:
        return scan.dark
    rows, places = lines_across(scan.height, scan.width)
    with opened(scan) as reader:
        lines = [reader.codes((row, row + 1), (0, scan.width))[0, places] for row in rows]
    return places_of_lines(lines, scan.encoding, scan.bits)


def _check_options(gamma: float | None, ppi: float | None) -> None:
    """Raise if the user's numbers make no sense; NaN fails every comparison."""
    if gamma is not None and not 1.0 <= gamma <= _LARGEST_GAMMA:
        raise SettingsProblem(
            None,
            f"gamma {gamma:g} is not between 1 and {_LARGEST_GAMMA:g}",
            "give the exponent that turns code values to light, such as 1 or 2.2",
        )
    if ppi is not None and not (math.isfinite(ppi) and ppi > 0):
        raise SettingsProblem(
            None, f"{ppi:g} ppi is no resolution", "give the pixels per inch of the scan"
        )


def _pages(path: Path) -> tuple[Page, ...]:
    """Describe the pages of a file, whose format its first bytes tell."""
    with guarded(path):
        if path.is_dir():
            raise ScanProblem(path, "is a folder, not a scan", "give the scans in it")
        if path.exists() and not path.is_file():
            raise ScanProblem(path, "is not a file", "give a scan")
        with path.open("rb") as handle:
            start = handle.read(START_BYTES)
    if not start:
        raise ScanProblem(path, "is empty", "copy the file again or scan again")
    if start.startswith(_PNG_START):
        return png.png_pages(path)
    if start.startswith(_JPEG_START):
        return jpeg.jpeg_pages(path)
    is_tiff = start.startswith(_TIFF_STARTS)
    suffix = path.suffix.lower()
    if suffix == ".dng" and is_tiff and tiff.needs_no_developing(path):
        return tiff.pages(path)
    if suffix in RAW_SUFFIXES:
        return raw.raw_pages(path)
    if is_tiff:
        return tiff.pages(path)
    describe = picture_kind(start, suffix)
    if describe is not None:
        return describe(path)
    raise ScanProblem(
        path, "is not a picture that can be read", "give TIFF, PNG, JPEG, HEIF or camera raw"
    )


def _scan(path: Path, number: int, page: Page, gamma: float | None, ppi: float | None) -> Scan:
    """Complete what a page says with what the user says and what has to be assumed."""
    encoding, notes = _encoding(page, gamma)
    if page.bits == 8 and not page.container.lossy:
        notes += (_EIGHT_BITS,)
    resolution, source = (page.ppi, "tag") if ppi is None else (float(ppi), "option")
    own = {
        "path": path,
        "page": number,
        "ppi": resolution,
        "ppi_from": None if resolution is None else source,
        "encoding": encoding,
        "notes": page.notes + notes,
    }
    return Scan(**(vars(page) | own))


def _encoding(page: Page, gamma: float | None) -> tuple[Encoding, tuple[str, ...]]:
    """Choose the encoding: the user's, the file's, else an assumption and a note of it."""
    if gamma is not None:
        return power(gamma, "option"), ()
    if page.encoding is not None:
        return page.encoding, ()
    if page.floating:
        return linear("container"), ()
    if page.container.linear and page.bits > 8:
        return linear("assumed"), ("no colour profile and no gamma given: taken as linear",)
    return srgb("assumed"), ("no colour profile and no gamma given: taken as sRGB",)


def _integer_bits(bits: int, codes: Codes) -> int | None:
    """Return the significant bits of integer codes, None for floats."""
    return bits if codes.dtype.kind == "u" else None


def rounding_codes(page: Page) -> float:
    """Return what integer codes of a page are off by, one standard deviation, in codes."""
    return _CODES_COMPRESSED if page.container.lossy else _CODES


def finite(scan: Scan, codes: Codes) -> Codes:
    """Return codes as they are, or raise if there are floats among them that can be no light."""
    if codes.dtype.kind != "f":
        return codes
    # What is no number makes both no numbers, and fails every comparison.
    least, most = float(codes.min()), float(codes.max())
    if least >= -_LARGEST_FLOAT and most <= _LARGEST_FLOAT:
        return codes
    known = np.isfinite(codes).all()
    what = f"far beyond full scale ({np.abs(codes).max():.0e})" if known else "not finite numbers"
    raise ScanProblem(scan.path, f"holds samples that are {what}", "save it as a 16-bit TIFF")


def infrared_light(scan: Scan, codes: Codes) -> Light:
    """Scale code values of the infra-red plane to full scale."""
    bits = _integer_bits(scan.infrared_bits, codes)
    return to_light(finite(scan, codes), linear("container"), bits)


def _bands(scan: Scan, factor: int) -> Iterator[tuple[slice, Span]]:
    """Yield rows of the proxy and the rows of the scan that they average."""
    high = max(1, _BAND_SAMPLES // (3 * scan.width * factor))
    for top in range(0, -(-scan.height // factor), high):
        yield slice(top, top + high), (top * factor, min((top + high) * factor, scan.height))


def _band(scan: Scan, reader: Reader, rows: Span) -> tuple[Codes, Codes | None]:
    """Read whole rows of R, G and B, and of the infra-red plane if there is one."""
    columns = (0, scan.width)
    if not scan.infrared:
        return finite(scan, reader.codes(rows, columns)), None
    codes, plane = reader.both(rows, columns)
    return finite(scan, codes), plane
