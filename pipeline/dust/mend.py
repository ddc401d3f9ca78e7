"""Dust mended: its light scaled back, its place filled from round about, or in parts both."""

import math

import cv2
import numpy as np

from pipeline.dust.fill import grain_near, near_blocks, with_grain
from pipeline.dust.find import Dust, Seen, density_of, filling_error, highest
from pipeline.dust.infrared import slopes
from pipeline.kinds import Float32, Triple

_LEAST_SHARE = 0.02
_ALIGNED_PX, _LEAST_ERROR = 0.1, 0.01


def scaled_back(light: Float32, share: Float32, dark: Triple) -> Float32:
    """Return light (n, 3) as it was before only a share (n,) of it got through dust.

    `dark` is the scanner's own level, which dust does not dim; shares count as 0.02 at least.
    """
    level = np.asarray(dark, np.float32)
    through = np.maximum(share, np.float32(_LEAST_SHARE))[:, None]
    return np.asarray((light - level) / through + level, np.float32)


def _trust(dust: Dust, tones: Float32) -> Float32:
    """Return how much a pixel scaled back counts against a filled one, 0 to 1, (n,).

    Each weighs by the inverse of its squared error: scaled back, of what focus and place leave
    uncertain where the share changes quickly, and of noise where little light got through;
    filled, of the texture round about.
    """
    scaling = np.zeros(dust.mask.shape, np.float32)
    reach = 1 + math.ceil(2.0 * dust.focus_px)
    for run, wide, inner in near_blocks(dust.mask):
        share = dust.share[wide]
        lost: Float32 = -np.log10(share)
        bend = np.abs(cv2.Laplacian(lost, cv2.CV_32F, ksize=1))
        steep, bent = highest(np.hypot(*slopes(lost)), reach), highest(bend, reach)
        noise = np.float32(_LEAST_ERROR) / np.maximum(share, np.float32(_LEAST_SHARE))
        error = noise + (_ALIGNED_PX + dust.focus_px) * steep + dust.focus_px**2 * bent
        scaling[run] = error[inner]
    filling, off = filling_error(dust.mask, tones), scaling[dust.mask]
    trust: Float32 = (filling**2 / (filling**2 + off**2)).astype(np.float32)
    return trust


def _grain(density: Float32, dust: Dust) -> Float32:
    """Return the grain near by, (n, 3), for the places of the mask."""
    grain = np.zeros((*dust.mask.shape, 3), np.float32)
    for run, wide, inner in near_blocks(dust.mask):
        part = np.zeros((*dust.mask[wide].shape, 3), np.float32)
        wanted = np.zeros(part.shape[:2], bool)
        wanted[inner] = dust.mask[run]
        picture = np.ascontiguousarray(density[wide])
        part[wanted] = grain_near(picture, dust.mask[wide], wanted)
        grain[run] = part[inner]
    return np.asarray(grain[dust.mask], np.float32)


def mended_places(light: Float32, seen: Seen, dust: Dust, dark: Triple) -> Float32:
    """Return light (n, 3) of the places of a picture's dust, mended, in the order of its rows.

    `seen` is what the light (h, w, 3) shows. Where dust lets most of the light through it is
    scaled back; where little, the place is filled from around it, with the grain found there;
    between the two in parts.
    """
    if not dust.mask.any():
        return np.zeros((0, 3), np.float32)
    share = dust.share[dust.mask]
    scaled = density_of(scaled_back(light[dust.mask], share, dark)[None], dark)[0]
    across = with_grain(dust.filling, _grain(seen.density, dust))
    trust = _trust(dust, seen.tones)[:, None]
    between = trust * scaled + (1.0 - trust) * across
    level = np.asarray(dark, np.float32)
    return np.asarray(np.power(np.float32(10.0), -between) + level, np.float32)
