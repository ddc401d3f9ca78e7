"""What is told of one picture, out of the roll's notes and what was measured, and its Exif block.

TIFF readers look for Exif in a directory of its own that the picture's directory points to
(Exif 2.32, 4.6.3), and the library that packs the picture can't write one. So the block, a small
TIFF structure as JPEG carries it, is appended to the file and pointed to: the picture, which may
be large, is neither read again nor moved.
"""

import json
import os
import re
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from typing import Any, BinaryIO

from pipeline.kinds import Triple
from pipeline.record import FrameRecord, RollRecord, StripRecord
from pipeline.settings import RollNotes
from pipeline.turn import AS_FOUND, Turn

# Everything XML 1.0 leaves out of its Char production, and the controls that it discourages.
_NOT_TEXT = re.compile("[^\t\n\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]|[\x7f-\x9f]")
_DATE = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?(?:[T ]\d\d:\d\d(?::\d\d)?)?", re.ASCII)


# Notes that are told as they are.
_TAKEN_OVER = (
    "photographer", "copyright", "place", "camera", "lens", "iso", "exposure_index", "developed",
    "batch",
)  # fmt: skip


@dataclass(frozen=True)
class FrameMetadata:
    """What is told of one picture; what is unknown is None or empty and is left out.

    `taken` is a date as the photographer wrote it, `digitized` the scanner's time stamp.
    Densities are ISO 5-2, per channel R, G, B, relative where `density_absolute` is false;
    those of the frame are above base. `exposure_stops` is what the picture was lightened against
    the roll. `confidence` is 0 to 1, `device` the scanner's own tags. `turned_deg` is how far the
    user had the picture turned clockwise, after it was mirrored where `mirrored` is true.
    """

    title: str | None = None
    description: str | None = None
    keywords: tuple[str, ...] = ()
    photographer: str | None = None
    copyright: str | None = None
    place: str | None = None
    camera: str | None = None
    lens: str | None = None
    iso: int | None = None
    exposure_index: int | None = None
    taken: str | None = None
    digitized: datetime | None = None
    roll: str | None = None
    number: str | None = None
    number_from: str | None = None
    stock: str | None = None
    format: str | None = None
    developed: str | None = None
    batch: Mapping[str, Any] = field(default_factory=dict)
    scan: str | None = None
    page: int | None = None
    device: Mapping[str, str] = field(default_factory=dict)
    profile: str | None = None
    look: str | None = None
    confidence: float | None = None
    exposure_stops: float | None = None
    turned_deg: int | None = None
    mirrored: bool | None = None
    density_absolute: bool | None = None
    base_density: Triple | None = None
    density_min: Triple | None = None
    density_median: Triple | None = None
    density_max: Triple | None = None


def frame_metadata(
    notes: RollNotes,
    record: RollRecord,
    strip: StripRecord,
    frame: FrameRecord,
    digitized: datetime | None = None,
    device: Mapping[str, str] | None = None,
    turn: Turn = AS_FOUND,
) -> FrameMetadata:
    """Return the metadata of one frame out of the roll's notes and what was measured."""
    roll = str(record.roll["id"])
    words = ("colour negative film", notes.film, strip.format, f"roll {roll}")
    return FrameMetadata(
        title=f"{roll} {frame.number}",
        description=_description(notes, roll, frame.number),
        keywords=tuple(word for word in words if word),
        **{name: getattr(notes, name) for name in _TAKEN_OVER},
        taken=notes.date,
        digitized=digitized,
        roll=roll,
        number=frame.number,
        number_from=frame.number_from,
        stock=notes.film,
        format=strip.format,
        scan=strip.scan,
        page=strip.page,
        device=device or {},
        profile=record.profile,
        look=record.look,
        confidence=frame.confidence,
        exposure_stops=frame.exposure_stops or None,
        turned_deg=turn.turn_deg or None,
        mirrored=turn.mirror or None,
        density_absolute=strip.base.absolute,
        base_density=strip.base.density,
        density_min=frame.density.min,
        density_median=frame.density.median,
        density_max=frame.density.max,
    )


def _description(notes: RollNotes, roll: str, number: str) -> str:
    film = notes.film and f"film {notes.film}"
    speed = notes.iso and f"ISO {notes.iso}"
    rated = notes.exposure_index and f"exposed at {notes.exposure_index}"
    developed = notes.developed and f"developed {notes.developed}"
    facts = [f"Roll {roll}, frame {number}", film, speed, rated, developed]
    return ". ".join(part for part in (", ".join(f for f in facts if f), notes.notes) if part)


def clean_text(value: Any) -> str:
    """Return a value as text that XML and Exif can hold: no control characters but tab and newline.

    Texts stay as they are, dates become ISO 8601, other values JSON; outer blanks are cut off.
    """
    if hasattr(value, "isoformat"):
        value = value.isoformat()
    if not isinstance(value, str):
        value = json.dumps(value, ensure_ascii=False, default=str)
    return _NOT_TEXT.sub("", value.replace("\r\n", "\n").replace("\r", "\n")).strip()


def parsed_date(text: str | None) -> str | None:
    """Return a date in the form of XMP (YYYY, YYYY-MM, YYYY-MM-DD, with T and time) or None.

    None where the text is anything else, or no day of the calendar.
    """
    found = _DATE.fullmatch((text or "").strip())
    if not found:
        return None
    year, month, day = found.groups()
    written = found[0].replace(" ", "T")
    if "T" in written and not day:
        return None
    try:
        datetime.fromisoformat(written if day else f"{year}-{month or '01'}-01")
    except ValueError:
        return None
    return written


def shortened(metadata: FrameMetadata, length: int, items: int) -> FrameMetadata:
    """Return the metadata with every text cut to `length` and lists to their first `items`."""
    changes: dict[str, Any] = {}
    for item in fields(metadata):
        value = getattr(metadata, item.name)
        if isinstance(value, str):
            changes[item.name] = value[:length]
        elif isinstance(value, Mapping):
            pairs = list(value.items())[:items]
            changes[item.name] = {str(k)[:length]: clean_text(v)[:length] for k, v in pairs}
        elif item.name == "keywords":
            changes[item.name] = tuple(word[:length] for word in value[:items])
    return replace(metadata, **changes)


# Exif 2.32, 4.6.2: bytes of each type of value.
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8}
# Title, maker, model, artist, copyright: tags of the picture's own directory (TIFF 6.0, section 8).
_PLAIN = (270, 271, 272, 315, 33432)
_EXIF_POINTER = 34665
# No tag; it keeps the pointer's place in the order of tags, 34675 being the next one in use.
_STAND_IN = 34664
_LONG = 4
_READ_BYTES = 1 << 16

Tag = tuple[int, int, int, bytes | int, bool]


def picture_tags(block: bytes) -> list[Tag]:
    """Return what the picture's directory needs: the block's plain tags, and room for a pointer.

    Each is code, type, count, value and True, as `tifffile.TiffWriter.write` takes them.
    """
    tags: list[Tag] = [(_STAND_IN, _LONG, 1, 0, True)]
    for code, kind, count, place in _entries(block, _first(block)):
        if code in _PLAIN:
            size = _TYPE_BYTES[kind] * count
            start = _long(block, place) if size > 4 else place
            tags.append((code, kind, count, block[start : start + size], True))
    return tags


def append_block(file: BinaryIO, block: bytes) -> None:
    """Append an Exif block to a little-endian TIFF written with `picture_tags`.

    Offsets in the block count from its own start, in the file from the file's (TIFF 6.0,
    section 2), so those of its Exif directory are moved by where it lands.
    """
    end = file.seek(0, os.SEEK_END)
    shift = end + end % 2
    start = _long(block, _place(block, _EXIF_POINTER))
    moved = bytearray(block)
    for _, kind, count, place in _entries(block, start):
        if _TYPE_BYTES[kind] * count > 4:
            struct.pack_into("<I", moved, place, shift + _long(block, place))
    file.seek(shift)
    file.write(moved)
    file.seek(0)
    place = _place(file.read(_READ_BYTES), _STAND_IN)
    file.seek(place - 8)
    file.write(struct.pack("<HHII", _EXIF_POINTER, _LONG, 1, shift + start))


def _first(block: bytes) -> int:
    return _long(block, 4)


def _long(block: bytes, place: int) -> int:
    value: int = struct.unpack_from("<I", block, place)[0]
    return value


def _place(block: bytes, wanted: int) -> int:
    """Return where in the first directory the value of a tag is."""
    return next(place for code, _, _, place in _entries(block, _first(block)) if code == wanted)


def _entries(block: bytes, start: int) -> Iterator[tuple[int, int, int, int]]:
    """Yield code, type, count and the place of the value of every entry of a directory."""
    for index in range(struct.unpack_from("<H", block, start)[0]):
        place = start + 2 + 12 * index
        code, kind, count = struct.unpack_from("<HHI", block, place)
        yield code, kind, count, place + 8
