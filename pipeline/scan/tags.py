"""What the tags of a picture file say of it: resolution, encoding, camera, time."""

import math
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from typing import Any

from PIL import ExifTags, Image

from pipeline.scan.container import CameraExposure, Page
from pipeline.scan.encoding import Encoding, srgb
from pipeline.scan.icc import ProfileError, profile_encoding

# Resolutions below this are what software writes when it doesn't know (common practice, no
# source): at 150 ppi a frame 24 mm high would be 142 pixels.
_LEAST_PPI, _LARGEST_PPI = 150.0, 50_000.0
_CM_PER_INCH = 2.54
_STAMPS = ("DateTimeDigitized", "DateTimeOriginal", "DateTime")
# Exif 3.0, 4.6.6.7, and the older name of the last.
_EXPOSURE = (
    ("ExposureTime",),
    ("FNumber",),
    ("PhotographicSensitivity", "ISOSpeedRatings"),
)
_DEVICE = ("Make", "Model", "Software")


def _usable_ppi(across: float, down: float) -> tuple[float | None, tuple[str, ...]]:
    """Return the resolution in ppi if it can be that of a film scan, and notes about it."""
    if not (math.isfinite(across) and math.isfinite(down)) or across <= 0 or down <= 0:
        return None, ()
    if not (_LEAST_PPI <= across <= _LARGEST_PPI):
        return None, (f"its resolution tag says {across:g} ppi, which no film scan has: ignored",)
    if abs(across - down) > 0.01 * across:
        text = f"its resolution tags differ, {across:g} across and {down:g} ppi down: ignored"
        return None, (text,)
    return float(across), ()


def with_tags(
    page: Page,
    tags: dict[str, Any],
    profile: bytes | None,
    otherwise: Encoding | None,
    dpi: tuple[float, float] | None = None,
) -> Page:
    """Return a page with what the tags of its file say, by their names in TIFF and Exif.

    `profile` is the colour profile in the file, `otherwise` the encoding that its format states,
    `dpi` the resolution across and down if the format has its own.
    """
    encoding, notes = _stated_encoding(profile, otherwise, tags)
    ppi, ppi_notes = _usable_ppi(*dpi) if dpi else _tagged_ppi(tags)
    orientation = tags.get("Orientation", 1)
    words = {name.lower(): tags[name].strip(" \0") for name in _DEVICE if _is_text(tags, name)}
    return replace(
        page,
        ppi=ppi,
        encoding=encoding,
        orientation=int(orientation) if orientation in range(1, 9) else 1,
        digitized=_scan_time(tags),
        device={name: word for name, word in words.items() if word},
        exposure=CameraExposure(*(_positive(tags, names) for names in _EXPOSURE)),
        notes=page.notes + notes + ppi_notes,
    )


def _positive(tags: dict[str, Any], names: tuple[str, ...]) -> float | None:
    """Return the first of some tags that is a positive number."""
    for name in names:
        value = tags.get(name)
        with suppress(TypeError, ValueError, ZeroDivisionError):
            parts = value if isinstance(value, tuple) else (value,)
            number = float(parts[0]) / (float(parts[1]) if len(parts) == 2 else 1.0)
            if math.isfinite(number) and number > 0:
                return number
    return None


def _tagged_ppi(tags: dict[str, Any]) -> tuple[float | None, tuple[str, ...]]:
    """Return ppi from the tags: unit 2, the usual one, is the inch, 3 the centimetre."""
    try:
        across, down = (
            value[0] / value[1] if isinstance(value, tuple) else float(value)
            for value in (tags["XResolution"], tags["YResolution"])
        )
        factor = {2: 1.0, 3: _CM_PER_INCH}[int(tags.get("ResolutionUnit", 2))]
    except (LookupError, TypeError, ValueError, ZeroDivisionError):
        return None, ()
    return _usable_ppi(across * factor, down * factor)


def _stated_encoding(
    profile: bytes | None, otherwise: Encoding | None, tags: dict[str, Any]
) -> tuple[Encoding | None, tuple[str, ...]]:
    """Return the encoding that a file states and notes about it.

    The embedded profile goes first, then what the format itself says, then the Exif
    ColorSpace tag, of which 1 means sRGB (Exif 3.0, 4.6.6.5).
    """
    notes: tuple[str, ...] = ()
    if profile:
        try:
            return profile_encoding(profile), ()
        except ProfileError as error:
            notes = (f"its colour profile is ignored: {error}",)
    if otherwise is None and tags.get("ColorSpace") == 1:
        otherwise = srgb("container")
    return otherwise, notes


def _scan_time(tags: dict[str, Any]) -> datetime | None:
    """Return the first date in the form of Exif, 'YYYY:MM:DD HH:MM:SS'."""
    for name in _STAMPS:
        with suppress(ValueError):
            if _is_text(tags, name):
                return datetime.strptime(tags[name].strip(" \0"), "%Y:%m:%d %H:%M:%S")
    return None


def _is_text(tags: dict[str, Any], name: str) -> bool:
    return isinstance(tags.get(name), str)


def exif_tags(packet: bytes) -> dict[str, Any]:
    """Return the Exif tags by name; none where they are damaged, for they're no picture."""
    exif = Image.Exif()
    try:
        exif.load(packet)
        tags = {**exif, **exif.get_ifd(ExifTags.IFD.Exif)}
    # The parser of a damaged packet raises nearly anything.
    except Exception:
        return {}
    return {ExifTags.TAGS.get(code, str(code)): value for code, value in tags.items()}
