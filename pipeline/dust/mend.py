"""Dust mended: its light scaled back, its place filled from round about, or in parts both."""

import math

import numpy as np

from pipeline.dust.fill import Places, grain_near, with_grain
from pipeline.dust.find import Dust, Seen
from pipeline.kinds import Float32, Triple

_LEAST_SHARE = 0.02
_ALIGNED_PX, _LEAST_ERROR = 0.1, 0.01


def scaled_back(density: Float32, share: Float32) -> Float32:
    """Return density (n, 3) as it was before only a share (n,) of its light got through dust.

    Shares count as 0.02 at least.
    """
    return density + np.log10(np.maximum(share, np.float32(_LEAST_SHARE)))[:, None]


def _trust(dust: Dust, at: Places) -> Float32:
    """Return how much a pixel scaled back counts against a filled one, 0 to 1, (n,).

    Each weighs by the inverse of its squared error: scaled back, of what focus and place leave
    uncertain where the share changes quickly, and of noise where little light got through;
    filled, of the texture round about.
    """
    from pipeline.dust.kernel import uncertain

    share, lost = dust.share[at], np.zeros(dust.mask.shape, np.float32)
    lost[at] = -np.log10(share)
    reach, focus = 1 + math.ceil(2.0 * dust.focus_px), dust.focus_px
    off = uncertain(lost, *at, reach, _ALIGNED_PX + focus, focus * focus)
    off += np.float32(_LEAST_ERROR) / np.maximum(share, np.float32(_LEAST_SHARE))
    filling = dust.doubt**2
    trust: Float32 = (filling / (filling + off**2)).astype(np.float32)
    return trust


def mended_places(seen: Seen, dust: Dust, dark: Triple) -> Float32:
    """Return light (n, 3) of the places of a picture's dust, mended, in the order of its rows.

    `seen` is what the picture shows, and `dark` the scanner's own level in light. Where dust lets
    most of the light through it is scaled back; where little, the place is filled from around it,
    with the grain found there; between the two in parts.
    """
    rows, columns = (places.astype(np.int32) for places in dust.places())
    if not len(rows):
        return np.zeros((0, 3), np.float32)
    at = rows, columns
    scaled = scaled_back(seen.density[at], dust.share[at])
    across = with_grain(dust.filling, grain_near(seen.density, dust.mask, at))
    trust = _trust(dust, at)[:, None]
    between = trust * scaled + (1.0 - trust) * across
    level = np.asarray(dark, np.float32)
    return np.asarray(np.power(np.float32(10.0), -between) + level, np.float32)
