"""Tone curves out of ICC profiles: the three TRC tags, or the neutral axis of a table."""

import io
import struct

import imagecodecs
import numpy as np
from PIL import ImageCms

from pipeline.scan.encoding import Encoding, linear

_HEADER = 128
# ICC.1:2022 table 68: the numbers that each type of parametric function carries, in order.
_FUNCTIONS = ("g", "gab", "gabc", "gabcd", "gabcdef")
_SAMPLES = 4096
# Beyond it no exponent or slope is that of a picture, and powers overflow.
_LARGEST_NUMBER = 20.0
_TRC = (b"rTRC", b"gTRC", b"bTRC")

# An exponent, or light at evenly spaced codes.
_Curve = float | tuple[float, ...]


class ProfileError(ValueError):
    """A profile that is broken or holds no tone curve of an RGB device."""


def profile_encoding(profile: bytes) -> Encoding:
    """Return the encoding that an embedded RGB profile states.

    Tone curves come from the tags rTRC, gTRC and bTRC, of type 'curv' or 'para' (ICC.1:2022,
    10.6 and 10.18). A profile that has tables only is asked, through LittleCMS, for the
    luminance Y along its neutral axis, scaled to 1 at full scale.

    Raises
    ------
    ProfileError
        The bytes are no profile, not for RGB, or a curve doesn't rise.
    """
    tags = _tags(profile)
    name = _name(profile)
    if all(tag in tags for tag in _TRC):
        return _encoding([_curve(tags[tag]) for tag in _TRC], name)
    if b"A2B0" in tags or b"A2B1" in tags:
        return _encoding([_neutral_axis(profile)], f"{name} (its neutral axis)")
    raise ProfileError("it holds no tone curve")


def _encoding(curves: list[_Curve], name: str) -> Encoding:
    """Choose the plainest kind of encoding that holds the curves of one or three channels."""
    if len(set(curves)) == 1:
        curves = curves[:1]
    first = curves[0]
    if len(curves) == 1 and isinstance(first, float):
        return linear("icc", name) if first == 1.0 else Encoding("gamma", first, None, "icc", name)
    codes = np.linspace(0.0, 1.0, _SAMPLES)
    tables = tuple(
        tuple((codes**curve).tolist()) if isinstance(curve, float) else curve for curve in curves
    )
    return Encoding("curve", None, tables, "icc", name)


def _tags(profile: bytes) -> dict[bytes, bytes]:
    """Return the tags of an RGB profile (ICC.1:2022, 7.2 header and 7.3 tag table)."""
    if len(profile) < _HEADER + 4 or profile[36:40] != b"acsp":
        raise ProfileError("it is no ICC profile")
    if profile[16:20] != b"RGB ":
        raise ProfileError("it is not a profile for RGB")
    count = struct.unpack_from(">I", profile, _HEADER)[0]
    if _HEADER + 4 + 12 * count > len(profile):
        raise ProfileError("it is cut short")
    tags = {}
    for signature, offset, size in struct.iter_unpack(
        ">4sII", profile[_HEADER + 4 : _HEADER + 4 + 12 * count]
    ):
        if offset + size > len(profile):
            raise ProfileError("it is cut short")
        tags[signature] = profile[offset : offset + size]
    return tags


def _curve(tag: bytes) -> _Curve:
    """Read a 'curv' or 'para' element."""
    try:
        if tag[:4] == b"curv":
            return _tabulated(tag)
        if tag[:4] == b"para":
            return _function(tag)
    except struct.error as error:
        raise ProfileError("a tone curve is cut short") from error
    raise ProfileError("a tone curve is of an unknown type")


def _tabulated(tag: bytes) -> _Curve:
    """Read curveType, ICC.1:2022, 10.6: no entry is the identity, one is a u8Fixed8 gamma."""
    count = struct.unpack_from(">I", tag, 8)[0]
    if 12 + 2 * count > len(tag):
        raise ProfileError("a tone curve is cut short")
    entries = struct.unpack_from(f">{count}H", tag, 12)
    if count == 0:
        return 1.0
    if count == 1:
        return _positive(entries[0] / 256)
    return _rising(np.asarray(entries) / 65535)


def _function(tag: bytes) -> _Curve:
    """Read parametricCurveType, ICC.1:2022, 10.18, sampled if it is more than a power."""
    kind = struct.unpack_from(">H", tag, 8)[0]
    if kind >= len(_FUNCTIONS):
        raise ProfileError("a tone curve is of an unknown type")
    letters = _FUNCTIONS[kind]
    fixed = struct.unpack_from(f">{len(letters)}i", tag, 12)
    given = dict(zip(letters, (number / 65536 for number in fixed), strict=True))
    g = _positive(given["g"])
    if kind == 0:
        return g
    a, b, c = given["a"], given["b"], given.get("c", 0.0)
    codes = np.linspace(0.0, 1.0, _SAMPLES)
    power = np.maximum(a * codes + b, 0.0) ** g
    if kind >= 3:
        straight = c * codes + given.get("f", 0.0)
        light = np.where(codes >= given["d"], power + given.get("e", 0.0), straight)
    else:
        # Where a x + b is below zero, types 1 and 2 are the constant c, which is 0 in type 1.
        _positive(a)
        light = power + c
    return _rising(np.clip(light, 0.0, 1.0))


def _neutral_axis(profile: bytes) -> tuple[float, ...]:
    """Return Y along the neutral axis of a profile, scaled to 1, as LittleCMS sees it."""
    ramp = np.linspace(0.0, 1.0, _SAMPLES, dtype=np.float32)
    grey = np.repeat(ramp[:, None], 3, axis=1)[None]
    try:
        xyz = imagecodecs.cms_transform(
            grey,
            profile,
            imagecodecs.cms_profile("xyz"),
            colorspace="rgb",
            outcolorspace="xyz",
            outdtype=np.float32,
        )
    except (RuntimeError, ValueError) as error:
        raise ProfileError("its tables can't be read") from error
    luminance = np.asarray(xyz, np.float64)[0, :, 1]
    if not np.isfinite(luminance).all() or luminance[-1] <= 0:
        raise ProfileError("its tables make no sense")
    # A table has noise of its own; only a curve that rises can be undone.
    return _rising(np.maximum.accumulate(np.clip(luminance / luminance[-1], 0.0, 1.0)))


def _rising(table: np.ndarray) -> tuple[float, ...]:
    """Return the table if it never falls and isn't flat."""
    if not (np.diff(table) >= 0).all() or table[-1] <= table[0]:
        raise ProfileError("a tone curve doesn't rise")
    return tuple(table.tolist())


def _positive(number: float) -> float:
    """Return the number if it can be an exponent or a slope."""
    if not 0 < number <= _LARGEST_NUMBER:
        raise ProfileError("a tone curve makes no sense")
    return number


def _name(profile: bytes) -> str:
    """Return the profile's own description, or a plain word where it has none."""
    try:
        name = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile)))
    except (OSError, ImageCms.PyCMSError):
        name = ""
    return name.strip() or "colour profile"
