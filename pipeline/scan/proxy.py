"""The reduced picture of a scan that surveys work on: area averages of linear light."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float64, Floats, Light, Mask
from pipeline.scan.encoding import Encoding, light_tables, to_light
from pipeline.scan.memory import dense_codes
from pipeline.scan.noise import DarkPlaces


@dataclass(frozen=True)
class Proxy:
    """A scan reduced by a whole factor: area averages of linear light.

    Attributes
    ----------
    light
        float32, shape (rows, columns, 3), 1.0 = full scale.
    factor
        Pixel (i, j) averages the scan's rows and columns from factor * i and factor * j on;
        the last row and column average what is there.
    clipped
        float64, shape (3,): share of the scan's samples at full scale, in each channel.
    clipped_mask
        bool, shape (rows, columns): any sample of the block is at full scale.
    infrared
        float32, shape (rows, columns), 1.0 = full scale, or None.
    dark
        The scan's darkest places.
    """

    light: Light
    factor: int
    clipped: Float64
    clipped_mask: Mask
    infrared: Light | None
    dark: DarkPlaces


def to_scan_xy(points: Floats, factor: int) -> Float64:
    """Turn (x, y) of a proxy into (x, y) of its scan, both in pixel centres, shape (..., 2)."""
    return factor * (np.asarray(points, np.float64) + 0.5) - 0.5


def to_proxy_xy(points: Floats, factor: int) -> Float64:
    """Turn (x, y) of a scan into (x, y) of its proxy, both in pixel centres, shape (..., 2)."""
    return (np.asarray(points, np.float64) + 0.5) / factor - 0.5


def block_means(plane: Light, factor: int) -> Light:
    """Average blocks of factor x factor; those at the right and bottom over what is there.

    Parameters
    ----------
    plane
        float32, shape (rows, columns) or (rows, columns, 3).

    Returns
    -------
    float32, shape (rows / factor, columns / factor, ...), rounded up.
    """
    means = plane
    for axis, size in enumerate(plane.shape[:2]):
        starts = np.arange(0, size, factor)
        means = np.add.reduceat(means, starts, axis=axis)
        counts = np.minimum(size - starts, factor).astype(np.float32)
        means /= np.expand_dims(counts, tuple(range(1, plane.ndim - axis)))
    return means


def reduced(
    codes: NDArray[Any], encoding: Encoding, bits: int | None, factor: int
) -> tuple[Light, Mask, NDArray[np.int64]]:
    """Average the light of codes (rows, columns, samples) over blocks of factor x factor.

    Returns
    -------
    Light (rows / factor, columns / factor, samples), float32; where any sample of a block is at
    full scale; and how many of each sample are. `bits` are those of integer codes, None for
    floats.
    """
    if bits is None or codes.dtype.itemsize > 2:
        full = codes >= (1.0 if bits is None else 2**bits - 1)
        counts = np.count_nonzero(full, axis=(0, 1))
        light = block_means(to_light(codes, encoding, bits), factor)
        mask = block_means(np.asarray(full.any(axis=2), np.float32), factor) > 0.0
        return light, mask, np.asarray(counts, np.int64)
    return _reduced_integers(codes, encoding, bits, factor)


def _reduced_integers(
    codes: NDArray[np.generic], encoding: Encoding, bits: int, factor: int
) -> tuple[Light, Mask, NDArray[np.int64]]:
    from pipeline.scan.kernel import reduce_codes

    rows, columns = (-(-side // factor) for side in codes.shape[:2])
    samples, most = codes.shape[2], 2**bits - 1
    light = np.empty((rows, columns, samples), np.float32)
    mask, counts = np.empty((rows, columns), np.bool_), np.zeros(samples, np.int64)
    dense = dense_codes(codes)
    if dense is None or dense[1]:
        codes = np.ascontiguousarray(codes)
        dense = codes.reshape(-1), 0, codes.shape[1] * samples, samples
    memory, _, down, pixel = dense
    linear = encoding.kind == "linear"
    tables = np.empty((1, 0), np.uint32) if linear else light_tables(encoding, bits)
    scale = 1.0 / most if linear else 1.0
    full = np.uint32(most)
    reduce_codes(memory, len(codes), down, pixel, factor, tables, full, scale, light, mask, counts)
    return light, mask, counts
