"""The reduced picture of a scan that surveys work on: area averages of linear light."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float64, Floats, Light, Mask
from pipeline.scan.encoding import Encoding, light_tables, to_light


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
    """

    light: Light
    factor: int
    clipped: Float64
    clipped_mask: Mask
    infrared: Light | None


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
    height, width = plane.shape[:2]
    means = np.empty((-(-height // factor), -(-width // factor), *plane.shape[2:]), np.float32)
    for down, rows in _parts(height, factor):
        for along, columns in _parts(width, factor):
            target = means[down, along]
            if target.size:
                size = (target.shape[1], target.shape[0])
                area = cv2.resize(plane[rows, columns], size, interpolation=cv2.INTER_AREA)
                target[...] = area.reshape(target.shape)
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

    # Where other samples lie between them, averaging those too is quicker than leaving them out.
    dense, first = _dense(codes)
    if first and encoding.kind != "linear":
        # Tables are in the order of samples.
        dense, first = np.ascontiguousarray(codes), 0
    span = first, first + codes.shape[2]
    rows, columns = (-(-side // factor) for side in codes.shape[:2])
    light = np.empty((rows, columns, dense.shape[2]), np.float32)
    mask, counts = np.empty((rows, columns), np.bool_), np.zeros(dense.shape[2], np.int64)
    flat = dense.reshape(len(dense), -1)
    most = 2**bits - 1
    linear = encoding.kind == "linear"
    tables = np.empty((1, 0), np.uint32) if linear else light_tables(encoding, bits)
    scale = 1.0 / most if linear else 1.0
    reduce_codes(flat, factor, tables, np.uint32(most), scale, light, mask, counts, span)
    return light[..., slice(*span)], mask, counts[slice(*span)]


def _dense(codes: NDArray[np.generic]) -> tuple[NDArray[np.generic], int]:
    """Return dense codes (rows, columns, samples) and which of their samples the first one is."""
    whole = codes.base
    if isinstance(whole, np.ndarray) and whole.ndim == 3 and whole.flags.c_contiguous:
        apart = codes.__array_interface__["data"][0] - whole.__array_interface__["data"][0]
        first, rest = divmod(apart, whole.itemsize)
        alike = (whole.dtype, whole.shape[:2], whole.strides) == (
            codes.dtype, codes.shape[:2], codes.strides,
        )  # fmt: skip
        if alike and not rest and 0 <= first <= whole.shape[2] - codes.shape[2]:
            return whole, first
    return np.ascontiguousarray(codes), 0


def _parts(size: int, factor: int) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Split a side in whole blocks and the rest: slices of the blocks and of the pixels."""
    whole = size // factor
    return (
        (slice(0, whole), slice(0, whole * factor)),
        (slice(whole, None), slice(whole * factor, None)),
    )
