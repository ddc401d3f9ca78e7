"""Settings of a run: the command's options and `roll.toml`, in the same words."""

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from pipeline.correction import FrameCorrection, read_corrections
from pipeline.problem import SettingsProblem
from pipeline.reference_frame import ReferenceFrame, read_references
from pipeline.small_file import read_toml
from pipeline.wedge import Bracket, Wedge, read_bracket, read_wedge

Triple = tuple[float, float, float]

LOOKS = ("print", "log", "linear")
FORMATS = (
    "135",
    "135-half",
    "135-square",
    "135-panorama",
    "120-6x4.5",
    "120-6x6",
    "120-6x7",
    "120-6x9",
)
ARCHIVE_FORMATS = ("tiff", "none")
ARCHIVE_PACKING = ("deflate", "zstd", "lzw", "none")
SHARE_FORMATS = ("jpeg", "png", "none")
DUST = ("on", "off")
ARCHIVE_SPACES = ("romm-rgb", "rec2020", "adobe-rgb-compatible", "display-p3", "srgb", "acescg")


@dataclass(frozen=True)
class Settings:
    """All that decides how a roll is converted; equal settings give equal files.

    Triples are per channel R, G, B. `base` is in density, `balance` in log10 exposure,
    `exposure` in stops, `black` and `white` in display values 0 to 1 (None: as the roll's
    pictures ask for), `gamma` a positive exponent (above 1 lightens the middle tones), sizes in
    pixels of the longer side. `even_exposure` brings single pictures towards the roll's usual
    exposure. `inset_mm` is cut off the picture on all sides, `border_mm` of rebate is kept around
    it. `reference` names frames with a chart or grey card; None takes a clear chart where there
    is one, and an empty tuple takes none. `dust` is mended where the scan has an infra-red plane;
    `monochrome` None lets the film tell.
    """

    profile: str | None = None
    look: str = "print"
    base: Triple | None = None
    black: Triple | None = None
    white: Triple | None = None
    gamma: Triple = (1.0, 1.0, 1.0)
    exposure: float = 0.0
    even_exposure: bool = False
    balance: Triple | None = None
    reference: tuple[ReferenceFrame, ...] | None = None
    format: str | None = None
    first_number: str | None = None
    scan_gamma: float | None = None
    ppi: float | None = None
    archive: str = "tiff"
    archive_packing: str = "deflate"
    archive_space: str = "romm-rgb"
    archive_size: int | None = None
    share: str = "jpeg"
    share_size: int | None = 2400
    share_quality: int = 92
    write_blanks: bool = False
    inset_mm: float = 0.0
    border_mm: float = 0.0
    scanner_profile: str | None = None
    dust: str = "on"
    save_dust_mask: bool = False
    monochrome: bool | None = None


@dataclass(frozen=True)
class RollNotes:
    """What the photographer wrote down about the roll; every field may be missing.

    `batch` holds the batch of chemistry (name, mixed, rolls_before, temperature_c, ...),
    `frames` what is to be corrected of the frames found, `wedge` and `bracket` what was
    photographed to measure the film, `other` what else the file held, kept for the record.
    """

    id: str | None = None
    film: str | None = None
    iso: int | None = None
    exposure_index: int | None = None
    camera: str | None = None
    lens: str | None = None
    photographer: str | None = None
    copyright: str | None = None
    place: str | None = None
    date: str | None = None
    developed: str | None = None
    notes: str | None = None
    expected_frames: int | None = None
    batch: Mapping[str, Any] = field(default_factory=dict)
    frames: tuple[FrameCorrection, ...] = ()
    wedge: Wedge | None = None
    bracket: Bracket | None = None
    other: Mapping[str, Any] = field(default_factory=dict)


ROLL_FILE = "roll.toml"
_NOTE_NAMES = tuple(item.name for item in fields(RollNotes) if item.name != "other")
_SETTING_NAMES = tuple(item.name for item in fields(Settings))
_FLAGS = ("write_blanks", "even_exposure", "save_dust_mask", "monochrome")
_TRIPLES = ("base", "black", "white", "gamma", "balance")
_CHOICES = {
    "look": LOOKS,
    "format": FORMATS,
    "archive": ARCHIVE_FORMATS,
    "archive_packing": ARCHIVE_PACKING,
    "archive_space": ARCHIVE_SPACES,
    "share": SHARE_FORMATS,
    "dust": DUST,
}
_RANGES = {
    "base": (0.0, 4.0),
    "black": (0.0, 0.95),
    "white": (0.05, 4.0),
    "gamma": (0.1, 10.0),
    "balance": (-3.0, 3.0),
    "exposure": (-10.0, 10.0),
    "scan_gamma": (1.0, 4.0),
    "ppi": (50.0, 20000.0),
    "archive_size": (16, 100000),
    "share_size": (16, 100000),
    "share_quality": (1, 100),
    "inset_mm": (0.0, 5.0),
    "border_mm": (0.0, 10.0),
}
_WHOLE = ("archive_size", "share_size", "share_quality", "iso", "exposure_index", "expected_frames")
_NUMBER = re.compile(r"(?:X|0{1,2}|[0-9]{1,2})A?")


def triple(name: str, value: Any, where: Path | None = None) -> Triple:
    """Return `value` (one number for all channels, or three) as a triple R, G, B.

    Raises
    ------
    SettingsProblem
        If it is anything else.
    """
    parts = value if isinstance(value, (list, tuple)) else (value,)
    numbers = [_number(name, part, where) for part in parts]
    if len(numbers) == 1:
        numbers *= 3
    if len(numbers) != 3:
        raise SettingsProblem(
            where, f"'{name}' has {len(numbers)} values", "give one, or three R, G, B"
        )
    return (numbers[0], numbers[1], numbers[2])


def _number(name: str, value: Any, where: Path | None) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise SettingsProblem(where, f"'{name}' is {value!r}, not a number", "give a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise SettingsProblem(where, f"'{name}' is no finite number", "give a number")
    return number


def _in_range(name: str, value: float, where: Path | None) -> None:
    low, high = _RANGES[name]
    if not low <= value <= high:
        raise SettingsProblem(
            where, f"'{name}' is {value:g}", f"give a value from {low:g} to {high:g}"
        )


def frame_number(value: Any, where: Path | None = None) -> str:
    """Return a frame number as the film's edge writes it: '07', '00', 'X', '23A'.

    Raises
    ------
    SettingsProblem
        If it is no such number.
    """
    text = str(value).strip().upper()
    if isinstance(value, bool) or not _NUMBER.fullmatch(text):
        raise SettingsProblem(
            where, f"'{value}' is no frame number", "give 0 to 99, 00 or X, with A for a half step"
        )
    digits = text.rstrip("A")
    return text if digits in ("X", "00") else digits.zfill(2) + text[len(digits) :]


def _checked(name: str, value: Any, where: Path | None) -> Any:
    """Return one setting's value in its own type, or raise SettingsProblem."""
    if value is None:
        return None
    if name in _TRIPLES:
        numbers = triple(name, value, where)
        for number in numbers:
            _in_range(name, number, where)
        return numbers
    if name in _CHOICES:
        if value not in _CHOICES[name]:
            raise SettingsProblem(
                where, f"'{name}' is {value!r}", f"choose one of {', '.join(_CHOICES[name])}"
            )
        return value
    if name in _RANGES:
        number = _number(name, value, where)
        _in_range(name, number, where)
        if name not in _WHOLE:
            return number
        if number != int(number):
            raise SettingsProblem(where, f"'{name}' is {value!r}", "give a whole number")
        return int(number)
    if name == "first_number":
        return frame_number(value, where)
    if name == "reference":
        return read_references(value, where)
    if name in _FLAGS and not isinstance(value, bool):
        raise SettingsProblem(where, f"'{name}' is {value!r}", "write true or false")
    if name == "profile" and not (isinstance(value, str) and value.strip()):
        raise SettingsProblem(where, f"'profile' is {value!r}", "give the name of a film profile")
    if name == "scanner_profile" and not (isinstance(value, str) and value.strip()):
        raise SettingsProblem(
            where, f"'{name}' is {value!r}", "give the name of a scanner profile, or a .toml file"
        )
    return value


def with_changes(
    settings: Settings, changes: Mapping[str, Any], where: Path | None = None
) -> Settings:
    """Return settings with `changes` (by name) checked and put in.

    Raises
    ------
    SettingsProblem
        If a value makes no sense; the message names the setting.
    """
    checked = {name: _checked(name, value, where) for name, value in changes.items()}
    changed = replace(settings, **checked)
    blacks, whites = changed.black or (0.0,) * 3, changed.white or (1.0,) * 3
    if any(white <= black for black, white in zip(blacks, whites, strict=True)):
        raise SettingsProblem(
            where,
            "the white point is not above the black point",
            "give white points greater than the black points",
        )
    if changed.inset_mm > 0 and changed.border_mm > 0:
        raise SettingsProblem(
            where, "inset and border exclude each other", "give one of them, or 0 for the other"
        )
    return changed


def _note(name: str, value: Any, where: Path) -> Any:
    if name == "batch":
        if not isinstance(value, Mapping):
            raise SettingsProblem(
                where, "'batch' is not a table", "write it under a heading [batch]"
            )
        return dict(value)
    if name == "frames":
        return read_corrections(value, where)
    if name == "wedge":
        return read_wedge(value, where)
    if name == "bracket":
        return read_bracket(value, where)
    if name in _WHOLE:
        number = _number(name, value, where)
        if number < 1 or number != int(number):
            raise SettingsProblem(where, f"'{name}' is {value!r}", "give a whole number above 0")
        return int(number)
    if isinstance(value, (dict, list, bool)):
        raise SettingsProblem(where, f"'{name}' is {value!r}", "write it as text")
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def _refuse_near_miss(key: str, where: Path) -> None:
    known = _NOTE_NAMES + _SETTING_NAMES
    near = difflib.get_close_matches(key.replace("-", "_").lower(), known, 1, 0.8)
    if near:
        raise SettingsProblem(
            where, f"key '{key}' is not known", f"write '{near[0]}' if that is meant"
        )


def read_roll_file(path: Path) -> tuple[RollNotes, dict[str, Any]]:
    """Return what `roll.toml` says: the notes, and the settings it changes (unchecked).

    Keys that are neither are kept in `RollNotes.other`, unless they look like a slip of one.

    Raises
    ------
    SettingsProblem
        If the file is no TOML or a value makes no sense.
    """
    try:
        document = read_toml(path)
    except OSError as error:
        raise SettingsProblem(
            path, f"can't be read ({error.strerror})", "check the file and its permissions"
        ) from error
    except ValueError as error:
        raise SettingsProblem(
            path, f"can't be read as TOML ({error})", "correct that line"
        ) from error
    notes: dict[str, Any] = {}
    changes: dict[str, Any] = {}
    other: dict[str, Any] = {}
    for key, value in document.items():
        if key in _NOTE_NAMES:
            notes[key] = _note(key, value, path)
        elif key in _SETTING_NAMES:
            changes[key] = value
        else:
            _refuse_near_miss(key, path)
            other[key] = value
    return RollNotes(**notes, other=other), changes
