"""Packing of archive files: a band of rows as one strip of a TIFF, without loss."""

import sys
from collections.abc import Callable
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Pixels

"""Rows of a picture: uint16 or float32."""

# TIFF 6.0, section 14: 2 = horizontal differences; TIFF technical note 3: 3 = for floats.
PREDICTOR = {"u": 2, "f": 3}
COMPRESSION = {"deflate": "adobe_deflate", "zstd": "zstd", "lzw": "lzw", "none": None}
_ZSTD_LEVEL = 3


def packed(rows: Pixels, packing: str, scratch: Pixels | None = None) -> bytes:
    """Return rows (n, w, 3) as the bytes of a strip, little-endian, with differences first.

    Deflate is that of any reader, made by a library for speed: level 1 packs grain no worse than
    level 6 does. `scratch` may be pixels of at least as many rows, which are written over.
    """
    rows = np.ascontiguousarray(rows)
    if packing == "none":
        return _little(rows).tobytes()
    return _PACKERS[packing](_differences(rows, scratch))


def _differences(rows: Pixels, scratch: Pixels | None) -> NDArray[Any]:
    if rows.dtype.kind == "f":
        told: NDArray[Any] = imagecodecs.floatpred_encode(_little(rows), axis=-2)
        return told
    less = np.empty_like(rows) if scratch is None else scratch[: len(rows)]
    less[:, :1] = rows[:, :1]
    # As rows of single samples, since loops over three are slow.
    flat, out = rows.reshape(len(rows), -1), less.reshape(len(rows), -1)
    samples = rows.shape[2]
    np.subtract(flat[:, samples:], flat[:, :-samples], out=out[:, samples:])
    return _little(less)


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
