"""Code values to linear light: only the tone curve, never the primaries."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float64, Light

Kind = Literal["linear", "gamma", "srgb", "curve"]
Source = Literal["icc", "option", "assumed", "container"]

# Samples looked up in one go: bounds the index array numpy makes on the way.
_CHUNK = 1 << 20
# ITU-T H.273, table 3.
_VIDEO_TRANSFERS, _SRGB_TRANSFER = (1, 6, 14, 15), 13
_POWER_TRANSFERS = {4: 2.2, 5: 2.8, 8: 1.0, 17: 2.6}
_DISPLAY_TRANSFERS = {
    16: "coded for displays of high dynamic range (PQ)",
    18: "coded for displays of high dynamic range (HLG)",
}
_CURVE_SAMPLES = 4096


@dataclass(frozen=True)
class Encoding:
    """How the code values of a scan stand for light.

    Attributes
    ----------
    kind
        'linear'; 'gamma' (light = code ** gamma); 'srgb' (IEC 61966-2-1); 'curve'.
    gamma
        The exponent of 'gamma', else None.
    curve
        One table for all channels or one for each of R, G and B, else None: light in [0, 1]
        at evenly spaced codes from 0 to full scale, rising.
    source
        Where it comes from: 'icc' profile, 'option' of the user, 'container' (the file
        format says so) or 'assumed'.
    description
        A few plain words for reports.
    """

    kind: Kind
    gamma: float | None = None
    curve: tuple[tuple[float, ...], ...] | None = None
    source: Source = "assumed"
    description: str = "linear"


def linear(source: Source, description: str = "linear") -> Encoding:
    """Return the encoding in which codes are proportional to light."""
    return Encoding("linear", None, None, source, description)


def power(gamma: float, source: Source) -> Encoding:
    """Return the encoding light = code ** gamma; linear where gamma is 1."""
    if gamma == 1.0:
        return linear(source)
    return Encoding("gamma", float(gamma), None, source, f"gamma {gamma:.4g}")


def srgb(source: Source) -> Encoding:
    """Return the encoding of IEC 61966-2-1."""
    return Encoding("srgb", None, None, source, "sRGB curve")


def transfer(number: int) -> Encoding | None:
    """Return what a transfer characteristic of ITU-T H.273, table 3, means; None if nothing.

    Raises
    ------
    ValueError
        It is made for displays of high dynamic range, whose codes are no share of full scale.
    """
    if number in _DISPLAY_TRANSFERS:
        raise ValueError(_DISPLAY_TRANSFERS[number])
    if number in _POWER_TRANSFERS:
        return power(_POWER_TRANSFERS[number], "container")
    if number in _VIDEO_TRANSFERS:
        codes = np.linspace(0.0, 1.0, _CURVE_SAMPLES)
        # ITU-R BT.709-6, 1.2, undone.
        light = np.where(codes < 0.081, codes / 4.5, ((codes + 0.099) / 1.099) ** (1 / 0.45))
        return Encoding("curve", None, (tuple(light.tolist()),), "container", "video curve")
    return srgb("container") if number == _SRGB_TRANSFER else None


def to_light(codes: NDArray[np.generic], encoding: Encoding, bits: int | None = None) -> Light:
    """Undo the tone curve: code values to linear light.

    Parameters
    ----------
    codes
        Unsigned integers or floats, shape (..., 3), or any shape where the encoding is the
        same for all channels. Integers run from 0 to 2 ** bits - 1, floats from 0 to 1.
    encoding
        How the codes stand for light.
    bits
        Significant bits of integer codes; all of the type's where None.

    Returns
    -------
    float32 of the same shape, 1.0 = full scale. Floats outside [0, 1] are kept where the
    encoding is linear or a power, and held to the ends of a table.
    """
    codes = np.asarray(codes)
    if codes.dtype.kind == "f":
        if encoding.kind == "linear":
            return codes.astype(np.float32)
        return _per_channel(codes, encoding).astype(np.float32)
    if codes.dtype.kind != "u":
        raise TypeError(f"codes are {codes.dtype}, not unsigned integers or floats")
    bits = codes.dtype.itemsize * 8 if bits is None else bits
    if encoding.kind == "linear":
        return np.asarray(np.divide(codes, 2**bits - 1, dtype=np.float32))
    if bits > 16:
        scaled = codes.astype(np.float64) / (2**bits - 1)
        return _per_channel(scaled, encoding).astype(np.float32)
    tables = light_tables(encoding, bits)
    light = np.empty(codes.shape, np.float32)
    one = len(tables) == 1
    flat, out = (part.reshape(-1, 1 if one else 3) for part in (codes, light))
    for start in range(0, len(flat), _CHUNK):
        piece = slice(start, start + _CHUNK)
        for channel, table in enumerate(tables):
            out[piece, channel] = table[flat[piece, channel]]
    return light


def _per_channel(values: NDArray[np.generic], encoding: Encoding) -> Float64:
    """Return the light of scaled codes, each channel by its own curve."""
    scaled = values.astype(np.float64)
    if encoding.curve is None or len(encoding.curve) == 1:
        return _forward(scaled, encoding, 0)
    for channel in range(len(encoding.curve)):
        scaled[..., channel] = _forward(scaled[..., channel], encoding, channel)
    return scaled


def _forward(codes: Float64, encoding: Encoding, channel: int) -> Float64:
    """Evaluate light for codes scaled to [0, 1]; powers are mirrored below zero."""
    if encoding.kind == "gamma" and encoding.gamma is not None:
        return np.copysign(np.abs(codes) ** encoding.gamma, codes)
    if encoding.kind == "srgb":
        return _srgb_light(codes)
    if encoding.curve is None:
        return codes
    table = np.asarray(encoding.curve[channel])
    return np.asarray(np.interp(codes, np.linspace(0.0, 1.0, len(table)), table))


def _srgb_light(codes: Float64) -> Float64:
    """IEC 61966-2-1:1999, 5.2: nonlinear R'G'B' to linear RGB."""
    size = np.abs(codes)
    curved = ((size + 0.055) / 1.055) ** 2.4
    return np.copysign(np.where(size <= 0.04045, size / 12.92, curved), codes)


@lru_cache(maxsize=8)
def light_tables(encoding: Encoding, bits: int) -> Light:
    """Light of every code, shape (1 or 3, 2 ** bits)."""
    codes = np.arange(2**bits) / (2**bits - 1)
    channels = 1 if encoding.curve is None else len(encoding.curve)
    table = np.stack([_forward(codes, encoding, k) for k in range(channels)])
    light = table.astype(np.float32)
    return light


def light_steps(light: Float64, encoding: Encoding, bits: int) -> Float64:
    """Return by how much one code differs from the next at light (n, 3), for up to 16 bits."""
    parts = []
    for channel, table in enumerate(np.broadcast_to(light_tables(encoding, bits), (3, 2**bits))):
        table = table.astype(float)
        parts.append(np.interp(light[:, channel], table, np.gradient(table)))
    return np.stack(parts, axis=1)
