"""Crowded places of light: colours that much of a scan has, as base, gate and holders do."""

import numpy as np

from pipeline.channels import least, median
from pipeline.kinds import Float32, Float64

Mode = tuple[Float64, float]
"""A place, as log10 light (3), and the share of the readings that it holds."""

DARKEST_BASE = -2.2
"""Log10 light in the darkest channel of anything that counts, base most of all."""
_BIN = 0.03
_LEAST_SHARE = 0.004


def crowded_places(log_light: Float32) -> list[Mode]:
    """Return the crowded places of log10 light (n, 3), brightest first, with their share of n.

    A place is a bin with all its neighbours; the fullest bins come first, and a bin belongs to
    one place only.
    """
    points = log_light[least(log_light) > np.float32(DARKEST_BASE)]
    if not len(points):
        return []
    bins = np.floor(np.ascontiguousarray(points.T) / np.float32(_BIN)).astype(np.int64)
    # An empty bin lies on either side of each row of bins, so that neighbours never wrap.
    bins -= bins.min(axis=1, keepdims=True) - 1
    _, greens, blues = bins.max(axis=1) + 2
    keys = (bins[0] * greens + bins[1]) * blues + bins[2]
    # Small numbers sort in a fifth of the time.
    order = np.argsort(keys.astype(np.min_scalar_type(int(keys.max()))))
    points, keys = points.take(order, axis=0), keys[order]
    bounds = np.flatnonzero(np.diff(keys, prepend=-1, append=-1))
    filled, counts = keys[bounds[:-1]], np.diff(bounds)
    fewest = _LEAST_SHARE * len(log_light)
    fullest = np.argsort(-counts, kind="stable")
    fullest = fullest[27 * counts[fullest] >= fewest]
    # Bins that differ in blue alone follow each other: nine runs of three are all neighbours.
    rows = np.add.outer([-greens, 0, greens], [-1, 0, 1]).ravel() * blues
    middles = filled[fullest, None] + rows
    starts = bounds[np.searchsorted(filled, middles - 1)]
    stops = bounds[np.searchsorted(filled, middles + 1, "right")]
    taken = np.zeros(len(keys), bool)
    modes: list[Mode] = []
    for at in np.flatnonzero((stops - starts).sum(axis=1) >= fewest):
        if taken[bounds[fullest[at]]]:
            continue
        near = [slice(*span) for span in zip(starts[at], stops[at], strict=True)]
        members = np.concatenate([points[run] for run in near])
        modes.append((median(members, 0), len(members) / len(log_light)))
        for run in near:
            taken[run] = True
    return sorted(modes, key=lambda mode: -float(mode[0].sum()))


def lightest(modes: list[Mode], least_of_largest: float) -> Float64:
    """Return the brightest crowded place that holds enough: the base, if the rest are pictures."""
    largest = max(share for _, share in modes)
    return next(level for level, share in modes if share > least_of_largest * largest)
