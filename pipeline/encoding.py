"""Code values to linear light: only the tone curve, never the primaries."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float64, Light

Kind = Literal["linear", "gamma", "srgb", "parametric", "curve"]
Source = Literal["icc", "option", "assumed", "container"]

# Samples looked up in one go: bounds the index array numpy makes on the way.
_CHUNK = 1 << 20


@dataclass(frozen=True)
class Encoding:
    """How the code values of a scan stand for light.

    Attributes
    ----------
    kind
        'linear'; 'gamma' (light = code ** gamma); 'srgb' (IEC 61966-2-1);
        'parametric' (`curve` holds one set of seven numbers a channel);
        'curve' (`curve` holds one table a channel, evenly spaced over the codes).
    gamma
        The exponent of 'gamma', else None.
    curve
        One tuple for all channels or one for each of R, G and B, else None. Seven numbers
        are g, a, b, c, d, e, f of ICC.1:2022 table 68, function type 4; a table is light
        in [0, 1] at evenly spaced codes from 0 to full scale, rising.
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
    table = light_tables(encoding, bits)
    light = np.empty(codes.shape, np.float32)
    if len(table) == 1:
        _look_up(table[0], codes.reshape(-1), light.reshape(-1))
    else:
        _look_up_channels(table, codes.reshape(-1, 3), light.reshape(-1, 3))
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
    if encoding.kind == "parametric":
        return _parametric(codes, encoding.curve[channel])
    table = np.asarray(encoding.curve[channel])
    return np.asarray(np.interp(codes, np.linspace(0.0, 1.0, len(table)), table))


def _srgb_light(codes: Float64) -> Float64:
    """IEC 61966-2-1:1999, 5.2: nonlinear R'G'B' to linear RGB."""
    size = np.abs(codes)
    curved = ((size + 0.055) / 1.055) ** 2.4
    return np.copysign(np.where(size <= 0.04045, size / 12.92, curved), codes)


def _parametric(codes: Float64, numbers: tuple[float, ...]) -> Float64:
    """ICC.1:2022 table 68, function type 4, held to [0, 1] as the standard asks."""
    g, a, b, c, d, e, f = numbers
    upper = np.maximum(a * codes + b, 0.0) ** g + e
    return np.asarray(np.clip(np.where(codes >= d, upper, c * codes + f), 0.0, 1.0))


@lru_cache(maxsize=8)
def light_tables(encoding: Encoding, bits: int) -> Light:
    """Light of every code, shape (1 or 3, 2 ** bits)."""
    codes = np.arange(2**bits) / (2**bits - 1)
    channels = 1 if encoding.curve is None else len(encoding.curve)
    table = np.stack([_forward(codes, encoding, k) for k in range(channels)])
    light = table.astype(np.float32)
    return light


def _look_up(table: Light, codes: NDArray[np.generic], light: Light) -> None:
    """Fill `light`, one dimension, from the table, a piece at a time."""
    for start in range(0, len(codes), _CHUNK):
        piece = slice(start, start + _CHUNK)
        light[piece] = table[codes[piece]]


def _look_up_channels(table: Light, codes: NDArray[np.generic], light: Light) -> None:
    """Fill `light`, shape (n, 3), from a table of each channel, a piece at a time."""
    for start in range(0, len(codes), _CHUNK):
        piece = slice(start, start + _CHUNK)
        for channel in range(3):
            light[piece, channel] = table[channel][codes[piece, channel]]
