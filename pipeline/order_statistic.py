"""Medians and percentiles by sorts that run on vectors, where numpy's own do not: bit for bit."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Floats

Values = Floats


def median(values: Values, axis: int = -1) -> NDArray[Any]:
    """Return the medians along an axis (at least one finite value); ten times quicker on long ones.

    Of an even number of values it is the mean of the middle two.
    """
    lines = np.ascontiguousarray(np.moveaxis(values, axis, -1))
    half = lines.shape[-1] // 2
    # With one place to find, the part of the array before it holds nothing greater.
    parted = np.partition(lines, half, axis=-1)
    if lines.shape[-1] % 2:
        middle: NDArray[Any] = parted[..., half]
        return middle
    pair = np.stack([parted[..., :half].max(axis=-1), parted[..., half]])
    return np.asarray(pair.mean(axis=0))


def percentiles(values: Values, shares: Sequence[float]) -> NDArray[Any]:
    """Return percentiles (shares, channels) of finite values (n, channels), by linear places."""
    ordered = np.sort(np.ascontiguousarray(values.T), axis=1)
    last = ordered.shape[1] - 1
    found = []
    for share in shares:
        place = last * (share / 100)
        low = int(place)
        part = np.float64(place - low)
        below, above = ordered[:, low], ordered[:, min(low + 1, last)]
        step = above - below
        # As numpy does, from the nearer of the two.
        found.append(below + step * part if part < 0.5 else above - step * (1 - part))
    return np.array(found)
