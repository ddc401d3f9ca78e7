"""Settings of a run, notes on a roll out of `roll.toml`, and the roll with its scans."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Annotated, Any

from pipeline.check import (
    Flag,
    Wrong,
    made,
    nearest,
    noun,
    one_of,
    plain_key,
    read,
    spelt,
    telling,
    within,
)
from pipeline.kinds import Triple
from pipeline.problem import ScanProblem, SettingsProblem
from pipeline.settings.correction import (
    BlackPoint,
    Contrast,
    FrameCorrection,
    WhitePoint,
    read_corrections,
    refuse_levels,
)
from pipeline.settings.reference import (
    Bracket,
    ReferenceFrame,
    Wedge,
    frame_name,
    read_bracket,
    read_references,
    read_wedge,
)
from pipeline.small_file import read_toml
from pipeline.turn import Turn

LOOKS = ("print", "log", "linear")
FORMATS = (
    "135",
    "135-half",
    "135-square",
    "135-panorama",
    "135-24x32",
    "120-6x4.5",
    "120-6x6",
    "120-6x7",
    "120-6x8",
    "120-6x9",
    "120-6x12",
    "120-6x17",
)
ARCHIVE_FORMATS = ("tiff", "none")
ARCHIVE_PACKING = ("deflate", "zstd", "lzw", "none")
SHARE_FORMATS = ("jpeg", "png", "none")
DUST = ("on", "off")
ARCHIVE_SPACES = ("romm-rgb", "rec2020", "oprgb", "display-p3", "srgb", "acescg")


def frame_number(value: Any) -> str:
    """Return a frame number as the film's edge writes it: '07', '00', 'X', '23A'.

    Raises Wrong if it is no such number.
    """
    name = frame_name(value)
    if not re.fullmatch("(X|[0-9]{2})A?", name):
        raise Wrong(f"{value!r} is no frame number", "give 0 to 99, 00 or X, A for a half step")
    return name


def _plain(value: Any) -> Any:
    """Return dates and numbers in a note as text."""
    if isinstance(value, (dict, list, bool)):
        return value
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


_Note = Annotated[str, noun("text", "write it as"), read(_plain)]
_Count = Annotated[int, within(1)]
_Pixels = Annotated[int, within(16, 100000)]


@dataclass(frozen=True)
class Settings:
    """All that decides how a roll is converted; equal settings give equal files.

    Triples are per channel R, G, B. `base` is in density, `balance` in log10 exposure,
    `exposure` in stops, `black` and `white` in display values 0 to 1, `contrast` the slope of a
    print about middle grey in log-log (None: all three as the roll's pictures ask for), `gamma` a
    positive exponent (above 1 lightens the middle tones), sizes in
    pixels of the longer side. `even_exposure` brings single pictures towards the roll's usual
    exposure. `base_scan` is the path of a picture of clear film, taken as the frames were.
    `inset_mm` is cut off the picture on all sides (None: what of its rim is not all picture, on
    each side, unless there is a border), `border_mm` of rebate is kept around it. `reference`
    names frames with a chart or grey card; None takes a clear chart where there is one, and an
    empty tuple takes none. `dust` is mended where the scan has an infra-red plane; `monochrome`
    None lets the film tell. Last of all, pictures are mirrored left to right if `mirror`, then
    turned clockwise by `turn` (degrees, by quarters).
    """

    profile: Annotated[str, spelt(r"\S", "the name of a film profile")] | None = None
    look: Annotated[str, one_of(LOOKS)] = "print"
    base: Annotated[Triple, within(0.0, 4.0, shared=True)] | None = None
    black: BlackPoint | None = None
    white: WhitePoint | None = None
    contrast: Contrast | None = None
    gamma: Annotated[Triple, within(0.1, 10.0, shared=True)] = (1.0, 1.0, 1.0)
    exposure: Annotated[float, within(-10.0, 10.0)] = 0.0
    even_exposure: Flag = False
    balance: Annotated[Triple, within(-3.0, 3.0, shared=True)] | None = None
    reference: tuple[ReferenceFrame, ...] | None = None
    format: Annotated[str, one_of(FORMATS)] | None = None
    first_number: Annotated[str, read(frame_number)] | None = None
    scan_gamma: Annotated[float, within(1.0, 4.0)] | None = None
    ppi: Annotated[float, within(50.0, 20000.0)] | None = None
    archive: Annotated[str, one_of(ARCHIVE_FORMATS)] = "tiff"
    archive_packing: Annotated[str, one_of(ARCHIVE_PACKING)] = "deflate"
    archive_space: Annotated[str, one_of(ARCHIVE_SPACES)] = "romm-rgb"
    archive_size: _Pixels | None = None
    share: Annotated[str, one_of(SHARE_FORMATS)] = "jpeg"
    share_size: _Pixels | None = 2400
    share_quality: Annotated[int, within(1, 100)] = 92
    write_blanks: Flag = False
    inset_mm: Annotated[float, within(0.0, 5.0)] | None = None
    border_mm: Annotated[float, within(0.0, 10.0)] = 0.0
    scanner_profile: (
        Annotated[str, spelt(r"\S", "the name of a scanner profile, or a .toml file")] | None
    ) = None
    base_scan: Annotated[str, spelt(r"\S", "a picture of clear film")] | None = None
    dust: Annotated[str, one_of(DUST)] = "on"
    save_dust_mask: Flag = False
    monochrome: Flag | None = None
    turn: Annotated[int, within(0, 270), read(Turn.read_deg)] = 0
    mirror: Flag = False


@dataclass(frozen=True)
class RollNotes:
    """What the photographer wrote down about the roll; every field may be missing.

    `batch` holds the batch of chemistry (name, mixed, rolls_before, temperature_c, ...),
    `frames` what is to be corrected of the frames found, `wedge` and `bracket` what was
    photographed to measure the film, `other` what else the file held, kept for the record.
    """

    id: _Note | None = None
    film: _Note | None = None
    iso: _Count | None = None
    exposure_index: _Count | None = None
    camera: _Note | None = None
    lens: _Note | None = None
    photographer: _Note | None = None
    copyright: _Note | None = None
    place: _Note | None = None
    date: _Note | None = None
    developed: _Note | None = None
    notes: _Note | None = None
    expected_frames: _Count | None = None
    batch: Annotated[Mapping[str, Any], noun("a table under a heading [batch]", "write")] = field(
        default_factory=dict
    )
    frames: tuple[FrameCorrection, ...] = ()
    wedge: Wedge | None = None
    bracket: Bracket | None = None
    other: Mapping[str, Any] = field(default_factory=dict)


ROLL_FILE = "roll.toml"
_NAME_BYTES = 80
_SAFE = re.compile(r"[^\w.+-]+")
_NOTE_NAMES = tuple(item.name for item in fields(RollNotes) if item.name != "other")
_SETTING_NAMES = tuple(item.name for item in fields(Settings))
# What a batch may tell; other keys of the user's own are kept beside them.
_BATCH_NAMES = (
    "name", "mixed", "rolls_before", "temperature_c", "time_s", "rolls", "volume_ml", "life_rolls",
    "life_days", "compensation_percent_per_roll", "notes",
)  # fmt: skip
_HEADINGS: Mapping[str, tuple[str, ...]] = {
    "batch": _BATCH_NAMES,
    "frames": tuple(item.name for item in fields(FrameCorrection)),
    "wedge": tuple(item.name for item in fields(Wedge)),
    "bracket": tuple(item.name for item in fields(Bracket)),
    "reference": tuple(item.name for item in fields(ReferenceFrame)),
}
_READERS = {"frames": read_corrections, "wedge": read_wedge, "bracket": read_bracket}


def with_changes(
    settings: Settings, changes: Mapping[str, Any], where: Path | None = None
) -> Settings:
    """Return settings with `changes` (by name) checked and put in.

    A reference frame that is named by its number alone keeps what `settings` tell of it.

    Raises SettingsProblem if a value makes no sense; the message names the setting.
    """
    told = dict(changes)
    if told.get("reference") is not None:
        before = {ReferenceFrame(one.frame): one for one in settings.reference or ()}
        named = read_references(told["reference"], where)
        told["reference"] = tuple(before.get(one, one) for one in named)
    changed = made(Settings, {**vars(settings), **told}, where)
    with telling(where):
        refuse_levels(changed.black, changed.white)
        if changed.inset_mm and changed.border_mm > 0:
            remedy = "give one of them, or 0 for the other"
            raise Wrong("inset and border exclude each other", remedy)
    return changed


def read_roll_file(path: Path) -> tuple[RollNotes, dict[str, Any]]:
    """Return what `roll.toml` says: the notes, and the settings it changes (unchecked).

    Keys that are neither are kept in `RollNotes.other`, unless they look like a slip of one or
    stand under a heading that is not theirs.

    Raises SettingsProblem if the file is no TOML or a value makes no sense.
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
    notes = {name: value for name, value in document.items() if name in _NOTE_NAMES}
    changes = {name: value for name, value in document.items() if name in _SETTING_NAMES}
    other = {name: document[name] for name in document if name not in {*notes, *changes}}
    for key in other:
        near = nearest(plain_key(key), _NOTE_NAMES + _SETTING_NAMES, 0.8)
        if near:
            raise SettingsProblem(path, f"key '{key}' is not known", near)
    for heading, value in document.items():
        _check_heading(heading, value, path)
    for name, reader in _READERS.items():
        if name in notes:
            notes[name] = reader(notes[name], path)
    return made(RollNotes, {**notes, "other": other}, path), changes


def _check_heading(heading: str, value: Any, path: Path) -> None:
    """Refuse settings and notes on the roll that stand under a heading, where they do nothing.

    In TOML, all that follows a heading belongs to it.
    """
    known = _HEADINGS.get(heading, ())
    tables = value if isinstance(value, list) else [value]
    for key in (key for table in tables if isinstance(table, dict) for key in table):
        if key in known:
            continue
        brackets = f"[[{heading}]]" if isinstance(value, list) else f"[{heading}]"
        if plain_key(key) in _NOTE_NAMES + _SETTING_NAMES:
            what = f"key '{key}' stands under {brackets}, where it does nothing"
            raise SettingsProblem(path, what, "put it above the first heading")
        near = nearest(plain_key(key), known, 0.8) if heading == "batch" else ""
        if near:
            raise SettingsProblem(path, f"key '{key}' under {brackets} is not known", near)


@dataclass(frozen=True)
class Roll:
    """A roll to work on: its scans in order, notes, settings, and the name its files carry.

    `problem` tells why a roll without scans has none, `refused` what was found among them that
    is not to be opened. `beside` is the folder of its roll.toml, `told` are the settings that the
    command's words gave, which go before that file's.
    """

    name: str
    scans: tuple[Path, ...]
    notes: RollNotes
    settings: Settings
    problem: ScanProblem | None = None
    refused: tuple[ScanProblem, ...] = ()
    beside: Path | None = None
    told: Mapping[str, Any] = field(default_factory=dict)


def safe_name(text: str) -> str:
    """Return a text as part of a file name: letters, digits, . _ + -; never a path."""
    # Cut by bytes: file systems take 255 of them, and a letter may need four.
    cut = _SAFE.sub("-", text.strip()).encode()[:_NAME_BYTES].decode("utf-8", "ignore")
    return cut.strip(".-") or "roll"
