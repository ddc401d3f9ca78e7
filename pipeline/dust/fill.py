"""Holes in a plane filled from around them, with grain found near by."""

import math
from collections.abc import Sequence

import cv2
import numpy as np

from pipeline.channels import median
from pipeline.dust.parts import NEAR, Parts, parts_of
from pipeline.kinds import SIGMA_OF_MAD, Float32, Int32, Mask

Places = tuple[Int32, Int32]
"""Rows and columns (n,) of places of a picture."""

# Share of a stretched membrane in the thin plate. A plate alone carries slopes on, but overshoots
# where its rim is grainy; a membrane alone flattens what it spans.
_TENSION = 0.1
_GRAIN_REACH_PX = 24
_GRAIN_SIGMA_PX = 1.2
_MOST_GRAIN = 2.5
_WAYS = ((0, -1), (0, 1), (-1, 0), (1, 0), (-1, -1), (1, 1), (-1, 1), (1, -1))


def gaussian(sigma_px: float) -> Float32:
    """Return a Gaussian's weights from its middle on, to where next to nothing is left."""
    return np.exp(-0.5 * (np.arange(math.ceil(4 * sigma_px) + 1) / sigma_px) ** 2, dtype=np.float32)


def plate(picture: Float32, parts: Parts) -> Float32:
    """Return values (n, channels) for the holes of a picture, part after part.

    Parameters
    ----------
    picture
        (h, w, channels) in density, of which values in holes do not count.
    parts
        The holes' parts; none lies near another, in steps of `NEAR`.

    Notes
    -----
    The surface of least bending and least slope through the rim (thin plate under tension),
    solved exactly: the Cholesky factor of a part that is long and narrow is narrow too.
    """
    from pipeline.dust.plate import plates

    values = plates(picture, parts.rows, parts.columns, parts.starts, _TENSION)
    return np.asarray(values, np.float32)


def filled(picture: Float32, holes: Mask) -> Float32:
    """Return values (n, channels) for the n holes of a picture, in the order of its rows.

    `holes` (h, w) are not all true; see `plate`.
    """
    places = np.flatnonzero(holes)
    parts = parts_of(holes.shape, places, places, NEAR)
    return plate(picture, parts)[np.argsort(parts.places(holes.shape[1]))]


def with_grain(values: Float32, grain: Float32) -> Float32:
    """Return values (n, channels) for holes with grain found near by, held to the usual size."""
    if not len(values):
        return values
    usual = SIGMA_OF_MAD * median(np.abs(grain).T, axis=1)
    held: Float32 = np.clip(grain, -_MOST_GRAIN * usual, _MOST_GRAIN * usual).astype(np.float32)
    return values + held


def grain_near(picture: Float32, holes: Mask, at: Places) -> Float32:
    """Return the grain of clean places near some holes, (n, channels).

    Grain is what a picture has beyond its slight blur, taken from the nearest place in a fixed
    order that is clean all round; nothing here is random. Zero where there is none.
    """
    from pipeline.dust.kernel import clean_near, fine_at

    weights = gaussian(_GRAIN_SIGMA_PX)
    reach = len(weights) - 1
    kernel = np.ones((2 * reach + 1,) * 2, np.uint8)
    unclean = np.asarray(cv2.dilate(holes.view(np.uint8), kernel), np.uint8)
    distances = np.arange(reach + 1, _GRAIN_REACH_PX + 1, 2)
    ways: Sequence[Sequence[int]] = _WAYS
    places = clean_near(unclean, np.array(ways), distances, *at)
    return fine_at(np.ascontiguousarray(np.moveaxis(picture, 2, 0)), weights, *places)
