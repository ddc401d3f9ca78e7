"""A colour profile of three primaries and one gamma, as scanners embed it."""

import struct

import numpy as np

from .spectra import colour_science


def gamma_profile(gamma: float) -> bytes:
    """Return an ICC version 2.1 display profile with sRGB primaries and a pure power curve.

    Layout: ISO 15076-1 (header, tag table, XYZType, curveType, textDescriptionType).
    """
    colour = colour_science()
    space = colour.RGB_COLOURSPACES["sRGB"]
    to_d50 = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(space.whitepoint),
        colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]),
        transform="Bradford",
    )
    columns = np.asarray(to_d50 @ space.matrix_RGB_to_XYZ)
    curve = b"curv" + struct.pack(">IIH", 0, 1, round(gamma * 256)) + b"\0\0"
    text = f"Test scanner, gamma {gamma:g}".encode()
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
