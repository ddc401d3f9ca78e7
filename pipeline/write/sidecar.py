"""What a picture carries about itself: XMP packet and Exif block, in standard fields first."""

import re
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from types import ModuleType
from typing import Any

from pipeline.whole_file import NAMESPACE, SOFTWARE
from pipeline.write.metadata import FrameMetadata, clean_text, parsed_date, shortened

# A host under .invalid belongs to nobody (RFC 2606): a name, not an address.
# IPTC NewsCodes, digital source type: "digitised from a negative on film".
NEGATIVE_FILM = "http://cv.iptc.org/newscodes/digitalsourcetype/negativeFilm"
# An APP1 segment of JPEG holds 65533 bytes, its own signature included (Exif 2.32, 4.7.2).
SEGMENT_ROOM = 65000

# Characters of a text and items of a list. The first holds five texts of Exif at four bytes a
# character, the last any packet.
_CUTS = ((3000, 100), (400, 30), (40, 20))
# Exif 2.32, 4.6.5: FileSource 1 = film scanner, SensitivityType 3 = ISO speed,
# ColorSpace 1 = sRGB and 0xFFFF = uncalibrated; a SHORT at its most says see ISOSpeed, a LONG.
_FILM_SCANNER, _ISO_SPEED, _SRGB, _UNCALIBRATED = 1, 3, 1, 0xFFFF
_INCH, _CENTRED = 2, 1
# The library reads a RATIONAL as two signed numbers.
_MOST_SHORT, _MOST_LONG, _MOST_RATIONAL = 0xFFFF, 0xFFFFFFFF, 0x7FFFFFFF
_NO_TIME = "  :  :  "
_HEAD = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
_TAIL = '<?xpacket end="w"?>\n'
# The library can't be used by two threads at once.
_LOCK = threading.Lock()
# The smallest JPEG for the library to put an Exif block into: start and end of image.
_CARRIER = b"\xff\xd8\xff\xd9"

Entry = tuple[str, str, Any]


@dataclass(frozen=True)
class Facts:
    """What Exif tells of the picture itself: pixels, resolution, whether sRGB, whether JPEG."""

    width: int
    height: int
    ppi: float
    srgb: bool
    jpeg: bool = False


def xmp_packet(metadata: FrameMetadata, before: bytes = b"") -> str:
    """Return the whole XMP packet (ISO 16684-1:2019, 7.1 and 7.3), the text of a sidecar.

    Standard fields: Dublin Core, XMP basic, Exif in XMP (CIPA DC-010), IPTC Photo Metadata;
    what they have no field for goes to our own namespace. Same metadata, same text. Properties
    of the packet `before` that are not ours are kept.

    Raises ValueError where the packet before can't be read.
    """
    with _LOCK:
        library = _library()
        data = _others(library, before)
        for key, kind, value in _properties(metadata):
            _put(library, data, key, kind, value)
        formats = library.XmpParser.XmpFormatFlags
        _, body = library.XmpParser.encode(data, formats.omitPacketWrapper)
    return f"{_HEAD}{body}{_TAIL}"


def exif_block(metadata: FrameMetadata, facts: Facts) -> bytes:
    """Return an Exif 2.32 block: a little-endian TIFF structure without a picture.

    Text is UTF-8; DateTimeOriginal is there only if the day is known, with a blank time
    (Exif 2.32, 4.6.5) where only the day is.
    """
    with _LOCK:
        library = _library()
        data = library.ExifData()
        for key, value in (*_exif_fields(metadata), *_picture_fields(facts)):
            data[key] = value
        carrier = library.ImageFactory.open(_CARRIER)
        carrier.setByteOrder(library.ByteOrder.littleEndian)
        carrier.setExifData(data)
        carrier.writeMetadata()
        written = bytes(carrier.io().mmap())
    # SOI, then the marker and the length of APP1, then the signature "Exif" (Exif 2.32, 4.7.2).
    start = written.index(b"Exif\0\0")
    length = int.from_bytes(written[start - 2 : start], "big")
    return written[start + 6 : start - 2 + length]


def embedded(metadata: FrameMetadata, facts: Facts) -> tuple[bytes, bytes]:
    """Return Exif block and XMP packet (UTF-8), each small enough for a segment of a JPEG.

    Texts are cut to 3000 characters, and shorter if need be; the sidecar has them whole.
    """
    packet = b""
    for length, items in _CUTS:
        packet = xmp_packet(shortened(metadata, length, items)).encode("utf-8")
        if len(packet) <= SEGMENT_ROOM:
            break
    return exif_block(shortened(metadata, *_CUTS[0]), facts), packet


@cache
def _library() -> ModuleType:
    """Return the metadata library, silent, with our namespace known; call it under the lock."""
    import exiv2

    exiv2.LogMsg.setLevel(exiv2.LogMsg.Level.mute)
    exiv2.XmpParser.initialize()
    exiv2.XmpProperties.registerNs(NAMESPACE, "evenroll")
    module: ModuleType = exiv2
    return module


# Properties of the packet in their order, each with its kind and the field that it tells. Kinds are
# those of XMP but for `place`, a bag of places, and `densities`, figures with four decimals.
_TOLD = (
    ("dc.title", "lang", "title"),
    ("dc.description", "lang", "description"),
    ("dc.subject", "bag", "keywords"),
    ("dc.creator", "seq", "creators"),
    ("dc.rights", "lang", "copyright"),
    ("xmp.CreatorTool", "text", "software"),
    ("xmp.CreateDate", "text", "digitized"),
    ("tiff.Model", "text", "camera"),
    ("exif.FileSource", "text", "file_source"),
    ("exif.DateTimeOriginal", "text", "taken_on"),
    ("exif.DateTimeDigitized", "text", "digitized"),
    ("exifEX.PhotographicSensitivity", "text", "sensitivity"),
    ("exifEX.SensitivityType", "text", "sensitivity_type"),
    ("exifEX.ISOSpeed", "text", "iso"),
    ("exif.ExposureIndex", "text", "exposure_index"),
    ("exifEX.LensModel", "text", "lens"),
    ("iptcExt.DigitalSourceType", "text", "source_type"),
    ("iptc.Location", "text", "place"),
    ("iptcExt.LocationCreated", "place", "place"),
    ("evenroll.Roll", "text", "roll"),
    ("evenroll.Frame", "text", "number"),
    ("evenroll.FrameNumberFrom", "text", "number_from"),
    ("evenroll.Stock", "text", "stock"),
    ("evenroll.Format", "text", "format"),
    ("evenroll.Taken", "text", "taken"),
    ("evenroll.Developed", "text", "developed"),
    ("evenroll.Batch", "struct", "batch"),
    ("evenroll.Scan", "text", "scan"),
    ("evenroll.Page", "text", "page"),
    ("evenroll.Scanner", "struct", "device"),
    ("evenroll.Profile", "text", "profile"),
    ("evenroll.Look", "text", "look"),
    ("evenroll.Confidence", "text", "confidence"),
    ("evenroll.ExposureStops", "text", "exposure_stops"),
    ("evenroll.TurnedDegrees", "text", "turned_deg"),
    ("evenroll.Mirrored", "text", "mirrored"),
    ("evenroll.DensityAbsolute", "text", "density_absolute"),
    ("evenroll.BaseDensity", "densities", "base_density"),
    ("evenroll.DensityMin", "densities", "density_min"),
    ("evenroll.DensityMedian", "densities", "density_median"),
    ("evenroll.DensityMax", "densities", "density_max"),
)


def _others(library: ModuleType, packet: bytes) -> Any:
    """Return the properties of a packet of ours that others added.

    Raises ValueError where the packet can't be read.
    """
    ours = {f"Xmp.{key}" for key, _, _ in _TOLD}
    data = library.XmpData()
    if not packet:
        return data
    try:
        there = library.ImageFactory.open(packet)
        there.readMetadata()
    except library.Exiv2Error as error:
        raise ValueError("it is no XMP") from error
    if not there.xmpData().count():
        # The library tells of what it can't parse by finding nothing.
        raise ValueError("it is no XMP that can be read")
    for datum in there.xmpData():
        head = re.split(r"[/\[]", datum.key(), maxsplit=1)[0]
        if head not in ours and not head.startswith("Xmp.evenroll."):
            data.add(datum)
    return data


def _properties(metadata: FrameMetadata) -> Iterator[Entry]:
    """Yield key, kind and value of every XMP property that has a value."""
    values = vars(metadata) | _derived(metadata)
    for key, kind, field in _TOLD:
        cleaned = _cleaned(kind, values[field])
        if cleaned:
            yield f"Xmp.{key}", kind, cleaned


def _derived(metadata: FrameMetadata) -> dict[str, Any]:
    """Return what is alike for all pictures, or told in the form that a standard asks for."""
    iso, index, digitized = metadata.iso, metadata.exposure_index, metadata.digitized
    return {
        "creators": [metadata.photographer or ""],
        "software": SOFTWARE,
        "file_source": _FILM_SCANNER,
        "source_type": NEGATIVE_FILM,
        "taken_on": parsed_date(metadata.taken),
        "digitized": digitized.isoformat(timespec="seconds") if digitized else None,
        "iso": iso or None,
        "sensitivity": min(iso, _MOST_SHORT) if iso else None,
        "sensitivity_type": _ISO_SPEED if iso else None,
        "exposure_index": f"{index}/1" if index else None,
    }


def _cleaned(kind: str, value: Any) -> Any:
    if value is None:
        return None
    if kind == "densities":
        return [f"{density:z.4f}" for density in value]
    if kind in ("bag", "seq"):
        return [text for text in map(clean_text, value) if text]
    if kind == "struct":
        pairs = ((_field_name(key), clean_text(item)) for key, item in value.items())
        return {name: text for name, text in pairs if name.strip("_") and text}
    return clean_text(value)


def _field_name(key: Any) -> str:
    """Return a key of a table as an XML name: letters, digits and '_', no digit first."""
    name = re.sub(r"[^A-Za-z0-9]+", "_", str(key))
    return f"_{name}" if name[:1].isdigit() else name


def _put(library: ModuleType, data: Any, key: str, kind: str, value: Any) -> None:
    """Set one property; a struct's fields, and a place, are set by their paths."""
    if kind == "lang":
        data[key] = library.LangAltValue({"x-default": value})
    elif kind == "bag":
        data[key] = library.XmpArrayValue(value, library.TypeId.xmpBag)
    elif kind in ("seq", "densities"):
        data[key] = library.XmpArrayValue(value, library.TypeId.xmpSeq)
    elif kind == "struct":
        struct = library.XmpTextValue("")
        struct.setXmpStruct()
        data[key] = struct
        for name, text in value.items():
            data[f"{key}/evenroll:{name}"] = _plain(library, text)
    elif kind == "place":
        places = library.XmpTextValue("")
        places.setXmpArrayType(library.XmpValue.XmpArrayType.xaBag)
        data[key] = places
        data[f"{key}[1]/iptcExt:LocationName"] = library.LangAltValue({"x-default": value})
    else:
        data[key] = _plain(library, value)


def _plain(library: ModuleType, text: str) -> Any:
    # The library takes a leading 'type=' for an instruction; a space in front makes it text.
    return library.XmpTextValue(f" {text}" if text.startswith("type=") else text)


def _exif_fields(metadata: FrameMetadata) -> Iterator[tuple[str, Any]]:
    for key, text in (
        ("Exif.Image.ImageDescription", metadata.description),
        ("Exif.Image.Model", metadata.camera),
        ("Exif.Image.Software", SOFTWARE),
        ("Exif.Image.Artist", metadata.photographer),
        ("Exif.Image.Copyright", metadata.copyright),
        ("Exif.Photo.LensModel", metadata.lens),
    ):
        if text and clean_text(text):
            yield key, clean_text(text)
    taken = _exif_time(parsed_date(metadata.taken))
    if taken:
        yield "Exif.Photo.DateTimeOriginal", taken
    yield "Exif.Photo.ExifVersion", "48 50 51 50"
    yield "Exif.Photo.FileSource", str(_FILM_SCANNER)
    if metadata.digitized:
        yield "Exif.Photo.DateTimeDigitized", f"{metadata.digitized:%Y:%m:%d %H:%M:%S}"
    if metadata.iso:
        yield "Exif.Photo.ISOSpeedRatings", min(metadata.iso, _MOST_SHORT)
        yield "Exif.Photo.SensitivityType", _ISO_SPEED
        yield "Exif.Photo.ISOSpeed", min(metadata.iso, _MOST_LONG)
    if metadata.exposure_index:
        yield "Exif.Photo.ExposureIndex", f"{min(metadata.exposure_index, _MOST_RATIONAL)}/1"


def _picture_fields(facts: Facts) -> Iterator[tuple[str, Any]]:
    ratio = Fraction(facts.ppi).limit_denominator(1000)
    yield "Exif.Image.XResolution", f"{ratio.numerator}/{ratio.denominator}"
    yield "Exif.Image.YResolution", f"{ratio.numerator}/{ratio.denominator}"
    yield "Exif.Image.ResolutionUnit", _INCH
    yield "Exif.Photo.FlashpixVersion", "48 49 48 48"
    yield "Exif.Photo.ColorSpace", _SRGB if facts.srgb else _UNCALIBRATED
    if facts.jpeg:
        yield "Exif.Image.YCbCrPositioning", _CENTRED
        yield "Exif.Photo.ComponentsConfiguration", "1 2 3 0"
        yield "Exif.Photo.PixelXDimension", facts.width
        yield "Exif.Photo.PixelYDimension", facts.height


def _exif_time(date: str | None) -> str | None:
    """Return an XMP date as Exif writes it, or None where the day isn't known."""
    if date is None or len(date) < len("YYYY-MM-DD"):
        return None
    day, _, time = date.partition("T")
    seconds = f"{time}:00"[: len("HH:MM:SS")] if time else _NO_TIME
    return f"{day.replace('-', ':')} {seconds}"
