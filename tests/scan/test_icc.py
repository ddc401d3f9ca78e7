"""Tone curves out of ICC profiles, against what LittleCMS makes of the same bytes."""

import struct

import imagecodecs
import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import ImageCms

from pipeline.scan.encoding import to_light
from pipeline.scan.icc import ProfileError, profile_encoding

# LittleCMS holds curves in 16-bit fixed point.
TOLERANCE = 3e-5
# Recommendation ITU-R BT.709-6, table 1.
WHITE, PRIMARIES = [0.3127, 0.329, 1.0], [0.64, 0.33, 0.3, 0.6, 0.15, 0.06]
CODES = np.linspace(0.0, 1.0, 513)


def srgb_profile() -> bytes:
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def tags_of(profile: bytes) -> dict[bytes, bytes]:
    count = struct.unpack_from(">I", profile, 128)[0]
    entries = struct.iter_unpack(">4sII", profile[132 : 132 + 12 * count])
    return {name: profile[offset : offset + size] for name, offset, size in entries}


def assembled(header: bytes, tags: dict[bytes, bytes]) -> bytes:
    """Write a profile after ICC.1:2022, 7.2 and 7.3."""
    table, data = struct.pack(">I", len(tags)), b""
    start = 132 + 12 * len(tags)
    for name, tag in tags.items():
        table += struct.pack(">4sII", name, start + len(data), len(tag))
        data += tag + b"\0" * (-len(tag) % 4)
    profile = header[:128] + table + data
    return struct.pack(">I", len(profile)) + profile[4:]


def with_curves(red: bytes, green: bytes | None = None, blue: bytes | None = None) -> bytes:
    curves = {b"rTRC": red, b"gTRC": green or red, b"bTRC": blue or red}
    return assembled(srgb_profile(), {**tags_of(srgb_profile()), **curves})


def curv(*entries: int) -> bytes:
    return struct.pack(f">4sII{len(entries)}H", b"curv", 0, len(entries), *entries)


def para(kind: int, *numbers: float) -> bytes:
    fixed = [round(number * 65536) for number in numbers]
    return struct.pack(f">4sIHH{len(fixed)}i", b"para", 0, kind, 0, *fixed)


def gamma_table(gamma: float, size: int) -> bytes:
    return curv(*(round(65535 * (k / (size - 1)) ** gamma) for k in range(size)))


def littlecms_light(profile: bytes) -> np.ndarray:
    """Light of each channel by LittleCMS: the channel alone, to XYZ, scaled to 1 at the top."""
    light = []
    for channel, component in ((0, 0), (1, 1), (2, 2)):
        ramp = np.zeros((1, len(CODES), 3), np.float32)
        ramp[0, :, channel] = CODES
        xyz = imagecodecs.cms_transform(
            ramp,
            profile,
            imagecodecs.cms_profile("xyz"),
            colorspace="rgb",
            outcolorspace="xyz",
            outdtype=np.float32,
        )
        light.append(np.asarray(xyz)[0, :, component])
    return np.stack(light, axis=1)


PROFILES = {
    "LittleCMS's own sRGB": srgb_profile(),
    "gamma 1.8 by LittleCMS": imagecodecs.cms_profile(
        "rgb", whitepoint=WHITE, primaries=PRIMARIES, gamma=1.8
    ),
    "a table by LittleCMS": imagecodecs.cms_profile(
        "rgb",
        whitepoint=WHITE,
        primaries=PRIMARIES,
        transferfunction=np.round(65535 * np.linspace(0, 1, 1024) ** 2.1).astype(np.uint16),
    ),
    "no entry": with_curves(curv()),
    "one entry": with_curves(curv(563)),
    "two entries": with_curves(curv(0, 65535)),
    "a table": with_curves(gamma_table(2.2, 4096)),
    "function 0": with_curves(para(0, 1.8)),
    "function 1": with_curves(para(1, 2.2, 1.1, -0.1)),
    "function 3": with_curves(para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)),
    "function 4": with_curves(para(4, 2.0, 0.9, 0.1, 0.2, 0.1, 0.0, 0.0)),
    "three gammas": with_curves(para(0, 1.8), para(0, 2.0), para(0, 2.2)),
    "three tables": with_curves(*(gamma_table(g, 1024) for g in (1.5, 2.0, 2.5))),
    "a function and tables": with_curves(
        para(0, 1.8), gamma_table(2.0, 1024), gamma_table(2.2, 1024)
    ),
}


@pytest.mark.parametrize("name", PROFILES)
def test_curves_agree_with_littlecms(name):
    profile = PROFILES[name]
    reference = littlecms_light(profile)
    # The matrix scales each channel; at black a curve may be above zero.
    black = reference[0]
    grey = np.repeat(CODES[:, None], 3, axis=1)
    light = to_light(grey, profile_encoding(profile)).astype(np.float64)
    scaled = (reference - black) / (reference[-1] - black)
    assert_allclose((light - light[0]) / (light[-1] - light[0]), scaled, atol=TOLERANCE)


def test_lifted_black_is_kept():
    # ICC.1:2022 table 68, function type 2: c is what is left below the knee.
    light = to_light(CODES, profile_encoding(with_curves(para(2, 2.0, 0.9, -0.09, 0.05))))
    expected = np.where(CODES >= 0.1, (0.9 * CODES - 0.09).clip(0) ** 2 + 0.05, 0.05)
    assert_allclose(light, expected, atol=TOLERANCE)


@pytest.mark.parametrize(
    ("tag", "kind", "gamma"),
    [(curv(), "linear", None), (curv(256), "linear", None), (curv(563), "gamma", 563 / 256)],
)
def test_plain_curves_become_plain_encodings(tag, kind, gamma):
    encoding = profile_encoding(with_curves(tag))
    assert (encoding.kind, encoding.gamma, encoding.source) == (kind, gamma, "icc")


def test_description_is_the_profile_s_own():
    assert profile_encoding(srgb_profile()).description == "sRGB built-in"


def table_profile(gamma: float) -> bytes:
    """Write an input profile that holds one 'mft2' table (ICC.1:2022, 10.10) and no curve.

    Its input tables are the gamma, its colour table hands RGB on as XYZ.
    """
    identity = [65536, 0, 0, 0, 65536, 0, 0, 0, 65536]
    entries = [round(65535 * (k / 255) ** gamma) for k in range(256)] * 3
    # PCS XYZ runs to 1 + 32767 / 32768, so 32768 is 1.
    corners = [32768 * ((k >> bit) & 1) for k in range(8) for bit in (2, 1, 0)]
    out = [0, 65535] * 3
    tag = struct.pack(">4sI4B9i2H", b"mft2", 0, 3, 3, 2, 0, *identity, 256, 2)
    tag += struct.pack(f">{len(entries)}H", *entries)
    tag += struct.pack(f">{len(corners)}H{len(out)}H", *corners, *out)
    header = bytearray(srgb_profile()[:128])
    header[8:12], header[12:16], header[20:24] = b"\x02\x40\0\0", b"scnr", b"XYZ "
    kept = {k: v for k, v in tags_of(srgb_profile()).items() if k == b"wtpt"}
    return assembled(bytes(header), {**kept, b"A2B0": tag})


def test_a_table_is_read_along_its_neutral_axis():
    encoding = profile_encoding(table_profile(2.0))
    grey = np.repeat(CODES[:, None], 3, axis=1)
    assert_allclose(to_light(grey, encoding), grey**2.0, atol=1e-4)
    assert "neutral axis" in encoding.description


GOOD = srgb_profile()
BROKEN = {
    "nothing": b"",
    "not a profile": b"\0" * 400,
    "a printer's": GOOD[:16] + b"CMYK" + GOOD[20:],
    "cut short in its tags": GOOD[:140],
    "cut short in a curve": with_curves(curv(0, 65535))[:-60],
    "no curve": assembled(GOOD, {b"wtpt": tags_of(GOOD)[b"wtpt"]}),
    "an unknown element": with_curves(b"text" + bytes(12)),
    "an unknown function": with_curves(para(5, 1.0)),
    "a function cut short": with_curves(para(3, 2.4)),
    "more entries than there are": with_curves(struct.pack(">4sIIH", b"curv", 0, 9, 1)),
    "a gamma of zero": with_curves(curv(0)),
    "a falling table": with_curves(curv(65535, 0)),
    "a flat table": with_curves(curv(500, 500)),
    "a falling function": with_curves(para(3, 1.0, -1.0, 1.0, 0.0, 0.0)),
    "a slope of zero": with_curves(para(1, 2.0, 0.0, 0.5)),
    "a broken table": assembled(GOOD, {b"A2B0": b"mft2" + bytes(60)}),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_profiles_are_refused(name):
    with pytest.raises(ProfileError):
        profile_encoding(BROKEN[name])
