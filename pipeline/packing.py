"""Packing of archive files: a band of rows as one strip of a TIFF, without loss."""

import sys
from collections.abc import Callable
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[Any]
"""Rows of a picture: uint16 or float32."""

# TIFF 6.0, section 14: 2 = horizontal differences; TIFF technical note 3: 3 = for floats.
PREDICTOR = {"u": 2, "f": 3}
COMPRESSION = {"deflate": "adobe_deflate", "zstd": "zstd", "lzw": "lzw", "none": None}
_ZSTD_LEVEL = 3


def packed(rows: Pixels, packing: str) -> bytes:
    """Return rows (n, w, 3) as the bytes of a strip, little-endian, with differences first.

    Deflate is that of any reader, made by a library for speed: level 1 packs grain no worse than
    level 6 does.
    """
    rows = np.ascontiguousarray(rows)
    if packing == "none":
        return _little(rows).tobytes()
    return _PACKERS[packing](_differences(rows))


def _differences(rows: Pixels) -> NDArray[Any]:
    encode = imagecodecs.floatpred_encode if rows.dtype.kind == "f" else imagecodecs.delta_encode
    told: NDArray[Any] = encode(_little(rows), axis=-2)
    return told


def _little(values: Pixels) -> NDArray[Any]:
    return values if sys.byteorder == "little" else values.astype(values.dtype.newbyteorder("<"))


def _deflate(values: Any) -> bytes:
    from isal import isal_zlib

    packed_bytes: bytes = isal_zlib.compress(memoryview(values).cast("B"), 1)
    return packed_bytes


def _zstd(values: Any) -> bytes:
    return bytes(imagecodecs.zstd_encode(values, level=_ZSTD_LEVEL))


def _lzw(values: Any) -> bytes:
    return bytes(imagecodecs.lzw_encode(values))


_PACKERS: dict[str, Callable[[Any], bytes]] = {
    "deflate": _deflate,
    "zstd": _zstd,
    "lzw": _lzw,
}
