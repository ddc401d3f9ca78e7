"""Colour spaces: primaries, transfer curves and ICC profiles.

The colour-science library is imported where it is used, for it takes long to load.
"""

import struct
import warnings
from dataclasses import dataclass, fields, replace
from functools import cache
from types import ModuleType
from typing import Any

import imagecodecs
import numpy as np

from pipeline.kinds import Float64, Floats
from pipeline.problem import SettingsProblem
from pipeline.profile.folder import shipped


@cache
def colour_science() -> ModuleType:
    """Return the library, without its warning that it can't draw without a plotting library."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    module: ModuleType = colour
    return module


Rows = tuple[tuple[float, ...], ...]

WORKING = "acescg"
_LINEAR = "-linear"
# CIE XYZ to the cones of the linear Bradford transform (ICC.1:2022, annex E).
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
# Entries of a tone curve table: the log curve stays within 2 codes of 16 bits between them.
_TABLE = 4096
# ICC.1:2022, 7.2.8: year, month, day, hour, minute, second. Fixed, so that bytes are.
_CREATED = (2000, 1, 1, 0, 0, 0)
_FROM_LIBRARY = (b"cprt", b"wtpt", b"chad", b"rXYZ", b"gXYZ", b"bXYZ")


@dataclass(frozen=True)
class LinearTransfer:
    """No transfer function: encoded values are light, also below 0 and above 1."""

    def encode(self, light: Floats) -> Floats:
        """Return the light itself."""
        return light

    def element(self) -> bytes:
        """Return a 'para' element of type 0 with exponent 1 (ICC.1:2022, 10.18)."""
        return _parametric(0, 1.0)


@dataclass(frozen=True)
class PowerTransfer:
    """A power law, with a linear toe below `threshold` (in light) if that is above 0.

    ``encoded = (1 + offset) * light ** (1 / gamma) - offset``, and ``slope * light`` in the toe.
    Light and values below 0 are taken as 0; above 1 the power law carries on.
    """

    gamma: float
    offset: float
    slope: float
    threshold: float

    def encode(self, light: Floats) -> Floats:
        """Return encoded values for linear light."""
        light = np.maximum(light, 0.0)
        power: Floats = np.power(light, 1.0 / self.gamma)
        if not self.threshold:
            return power
        return np.where(
            light < self.threshold, self.slope * light, (1.0 + self.offset) * power - self.offset
        )

    def element(self) -> bytes:
        """Return a 'para' element of type 0, or 3 with a toe (ICC.1:2022, 10.18)."""
        if not self.threshold:
            return _parametric(0, self.gamma)
        scale = 1.0 / (1.0 + self.offset)
        return _parametric(
            3, self.gamma, scale, self.offset * scale, 1.0 / self.slope, self.slope * self.threshold
        )


@dataclass(frozen=True)
class LogTransfer:
    """A logarithm with a linear toe up to `threshold` (in light), below 0 too.

    ``encoded = (log2(light) + log_offset) / log_range``, ``slope * light + offset`` in the toe.
    """

    slope: float
    offset: float
    threshold: float
    log_offset: float
    log_range: float

    def encode(self, light: Floats) -> Floats:
        """Return encoded values for linear light."""
        log = (np.log2(np.maximum(light, self.threshold)) + self.log_offset) / self.log_range
        return np.where(light <= self.threshold, self.slope * light + self.offset, log)

    def decode(self, encoded: Floats) -> Floats:
        """Return linear light for encoded values."""
        light = np.exp2(encoded * self.log_range - self.log_offset)
        toe = (encoded - self.offset) / self.slope
        return np.where(encoded <= self.slope * self.threshold + self.offset, toe, light)

    def element(self) -> bytes:
        """Return a 'curv' element (ICC.1:2022, 10.6), which ends at light 0 and 1."""
        light = np.clip(self.decode(np.linspace(0.0, 1.0, _TABLE)), 0.0, 1.0)
        codes: bytes = np.rint(light * 65535.0).astype(">u2").tobytes()
        return struct.pack(">4s4xI", b"curv", _TABLE) + codes


Transfer = LinearTransfer | PowerTransfer | LogTransfer
"""A function from linear light, 1.0 = diffuse white, to encoded values."""

_TRANSFERS: dict[str, type[Transfer]] = {
    "linear": LinearTransfer,
    "power": PowerTransfer,
    "log": LogTransfer,
}


@dataclass(frozen=True)
class Space:
    """A colour space for pictures: chromaticities (x, y), linear RGB to XYZ, and transfer.

    `to_xyz` takes linear RGB to CIE XYZ relative to the space's own white, Y of white = 1.
    """

    name: str
    title: str
    primaries: Rows
    white: tuple[float, ...]
    to_xyz: Rows
    transfer: Transfer


def space_names() -> tuple[str, ...]:
    """Return the names of all spaces; each may carry '-linear' for its linear variant."""
    return tuple(shipped("spaces.toml"))


@cache
def find_space(name: str) -> Space:
    """Return the space of that name; 'srgb-linear' is the linear variant of 'srgb', and so on.

    The matrix is computed from its chromaticities (SMPTE RP 177-1993), at full precision, so
    that it agrees with the ICC profile.

    Raises SettingsProblem if there is none of that name.
    """
    plain = name.removesuffix(_LINEAR)
    if plain not in space_names():
        raise SettingsProblem(
            None, f"there is no colour space '{name}'", f"choose one of {', '.join(space_names())}"
        )
    if plain != name:
        space = find_space(plain)
        return replace(space, name=name, title=f"{space.title}, linear", transfer=LinearTransfer())
    table = shipped("spaces.toml")[name]
    primaries, white = np.array(table["primaries"]), np.array(table["white"])
    columns = _xyz(primaries).T
    matrix = columns * np.linalg.solve(columns, _xyz(white) / white[1])
    kind = _TRANSFERS[table["kind"]]
    return Space(
        name=name,
        title=table["title"],
        primaries=_rows(primaries),
        white=tuple(white.tolist()),
        to_xyz=_rows(matrix),
        transfer=kind(**{each.name: table[each.name] for each in fields(kind)}),
    )


def _xyz(xy: Float64) -> Float64:
    """Return the CIE x, y, z (..., 3) of chromaticities x, y (..., 2)."""
    return np.concatenate([xy, 1.0 - xy.sum(axis=-1, keepdims=True)], axis=-1)


def _rows(array: Any) -> Rows:
    return tuple(tuple(row) for row in np.asarray(array, float).tolist())


def from_working(space: Space) -> Float64:
    """Return the 3x3 matrix from linear ACEScg, the working space, to the space's linear RGB.

    Column vectors: ``rgb = matrix @ working``. White goes to white, by the Bradford transform
    (ICC.1:2022, annex E). Colours outside the space come out below 0 or above 1.
    """
    working = find_space(WORKING)
    of_space, of_working = _BRADFORD @ np.array(space.to_xyz), _BRADFORD @ np.array(working.to_xyz)
    gains = of_space.sum(axis=1) / of_working.sum(axis=1)
    matrix: Float64 = np.linalg.solve(of_space, gains[:, None] * of_working)
    return matrix


def encode(light: Floats, space: Space) -> Floats:
    """Return linear light of any shape, 1.0 = white, encoded by the space's transfer function.

    Nothing is clipped at 1. Below 0, power laws give 0, linear spaces and ACEScct carry on.
    float32 stays float32; NaN stays NaN.
    """
    array = np.asarray(light)
    if not np.issubdtype(array.dtype, np.floating):
        array = array.astype(np.float64)
    return np.asarray(space.transfer.encode(array)).astype(array.dtype, copy=False)


def acescct(light: Floats) -> Floats:
    """Return linear ACEScg light of any shape in the ACEScct encoding (Academy S-2016-001)."""
    return encode(light, find_space("acescct"))


@cache
def icc_profile(space: Space) -> bytes:
    """Return the ICC profile (version 4, display class, matrix and curves) of a space.

    LittleCMS computes colorants and adaptation to D50; description, curves and date are put
    in here, so that the same space gives the same bytes always. ICC curves end at 1: with
    the profile of ACEScct, light above 1.0 (encoded 0.5548) shows as 1.0, and below 0 as 0,
    in a colour-managed viewer, though the picture holds it.
    """
    built = imagecodecs.cms_profile(
        "rgb",
        whitepoint=[*space.white, 1.0],
        primaries=[number for xy in space.primaries for number in (*xy, 1.0)],
        gamma=1.0,
    )
    given = _tags(built)
    curve = space.transfer.element()
    tags = {b"desc": _text(space.title)}
    tags |= {name: given[name] for name in _FROM_LIBRARY}
    tags |= {b"rTRC": curve, b"gTRC": curve, b"bTRC": curve}
    header = bytearray(built[:128])
    # ICC.1:2022, 7.2: maker of the profile, date, platform, creator and identifier.
    header[4:8] = header[40:44] = header[80:84] = bytes(4)
    header[24:36] = struct.pack(">6H", *_CREATED)
    header[84:100] = bytes(16)
    return _assembled(header, tags)


def _tags(profile: bytes) -> dict[bytes, bytes]:
    count = struct.unpack_from(">I", profile, 128)[0]
    entries = struct.iter_unpack(">4sII", profile[132 : 132 + 12 * count])
    return {name: profile[start : start + size] for name, start, size in entries}


def _assembled(header: bytearray, tags: dict[bytes, bytes]) -> bytes:
    """Return header, tag table and elements; equal elements are stored once (7.3.1)."""
    start = 128 + 4 + 12 * len(tags)
    table, body, places = b"", b"", dict[bytes, int]()
    for name, element in tags.items():
        if element not in places:
            places[element] = start + len(body)
            body += element + bytes(-len(element) % 4)
        table += struct.pack(">4sII", name, places[element], len(element))
    header[0:4] = struct.pack(">I", start + len(body))
    return bytes(header) + struct.pack(">I", len(tags)) + table + body


def _parametric(kind: int, *numbers: float) -> bytes:
    fixed = [round(number * 65536) for number in numbers]
    return struct.pack(f">4s4xH2x{len(fixed)}i", b"para", kind, *fixed)


def _text(text: str) -> bytes:
    """Return a multiLocalizedUnicode element with one English text (10.15)."""
    words = text.encode("utf-16-be")
    return struct.pack(">4s4xII2s2sII", b"mluc", 1, 12, b"en", b"US", len(words), 28) + words
