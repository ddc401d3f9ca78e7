"""Greatest, least and mean of three channels, many times quicker than along an axis so short."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]


def greatest(values: Floats) -> Floats:
    """Return the greatest channel (...) of values (..., 3)."""
    most: Floats = np.maximum(np.maximum(values[..., 0], values[..., 1]), values[..., 2])
    return most


def least(values: Floats) -> Floats:
    """Return the least channel (...) of values (..., 3)."""
    lowest: Floats = np.minimum(np.minimum(values[..., 0], values[..., 1]), values[..., 2])
    return lowest


def channel_mean(values: Floats) -> Floats:
    """Return the mean (...) of the channels of float32 values (..., 3)."""
    mean: Floats = (values[..., 0] + values[..., 1] + values[..., 2]) / np.float32(3.0)
    return mean
