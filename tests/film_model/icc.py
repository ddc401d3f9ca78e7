"""Colour profiles of three primaries and one curve, as scanners embed them."""

import struct

import numpy as np

from .picture import decode_srgb
from .spectra import colour_science

CURVE_ENTRIES = 1024


def gamma_profile(gamma: float) -> bytes:
    """Return an ICC version 2.1 display profile with sRGB primaries and a pure power curve."""
    curve = b"curv" + struct.pack(">IIH", 0, 1, round(gamma * 256)) + b"\0\0"
    return _profile(curve, f"Test scanner, gamma {gamma:g}")


def srgb_profile() -> bytes:
    """Return an ICC version 2.1 display profile of sRGB, its curve (IEC 61966-2-1) as a table."""
    light = decode_srgb(np.linspace(0, 1, CURVE_ENTRIES))
    codes = np.rint(light.astype(np.float64) * 65535).astype(">u2")
    curve = b"curv" + struct.pack(">II", 0, CURVE_ENTRIES) + codes.tobytes()
    return _profile(curve, "Test scanner, sRGB")


def _profile(curve: bytes, name: str) -> bytes:
    """Return a profile; layout: ISO 15076-1 (header, tags, XYZType, textDescriptionType)."""
    colour = colour_science()
    space = colour.RGB_COLOURSPACES["sRGB"]
    to_d50 = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(space.whitepoint),
        colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]),
        transform="Bradford",
    )
    columns = np.asarray(to_d50 @ space.matrix_RGB_to_XYZ)
    text = name.encode()
    tags = {
        b"desc": b"desc" + struct.pack(">II", 0, len(text) + 1) + text + b"\0" + bytes(78),
        b"cprt": b"text" + bytes(4) + b"Public domain\0",
        b"wtpt": _xyz(np.array([0.9642, 1.0, 0.8249])),
        b"rXYZ": _xyz(columns[:, 0]),
        b"gXYZ": _xyz(columns[:, 1]),
        b"bXYZ": _xyz(columns[:, 2]),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    return _packed(tags)


def _xyz(value: np.ndarray) -> bytes:
    return b"XYZ " + bytes(4) + b"".join(struct.pack(">i", round(v * 65536)) for v in value)


def _packed(tags: dict[bytes, bytes]) -> bytes:
    table, body = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for signature, data in tags.items():
        table += signature + struct.pack(">II", start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    size = start + len(body)
    header = struct.pack(">I4sI4s4s4s", size, bytes(4), 0x02100000, b"mntr", b"RGB ", b"XYZ ")
    header += struct.pack(">6H", 2000, 1, 1, 0, 0, 0) + b"acsp" + bytes(28)
    header += struct.pack(">iii", 63190, 65536, 54061)
    header += bytes(128 - len(header))
    return header + struct.pack(">I", len(tags)) + table + body
