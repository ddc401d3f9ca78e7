"""The sides of one picture that fills its file: at a mask, and placed to a part of a pixel."""

from dataclasses import replace

import cv2
import numpy as np

from pipeline.channels import greatest
from pipeline.frame import find_edge
from pipeline.kinds import Float32, Float64, Light, Mask
from pipeline.outline import corners_of
from pipeline.strip import SeenPicture, dark_level, least_orange

# The first look is at a smaller picture, and at straight lines: so far off is it, as a share of
# the picture's longer side.
_REACH, _LEAST_REACH_PX = 0.012, 6
# Beside the corners, which gates have rounded, sides tell nothing, as a share of their length.
_TRIM = 0.06
# A mask is as dark as at the border all over, within this factor, and fills so much of two sides:
# at the others, the pictures next on the film may show.
_MASKS_MOST, _MASKS_RIM = 2.0, 0.95
# In a lit room a mask shines back a little, but grey, as no dense film is.
_MASKS_LIGHT = 0.03


def masked(light: Light) -> Mask | None:
    """Return (h, w) where a mask around the picture covers the film, None where there is none."""
    level = np.asarray(dark_level(light), np.float32)
    if not level.any():
        level = _rims_light(light)
    dim: Mask = greatest(light - _MASKS_MOST * level) < 0.0
    pairs = np.concatenate([dim[0], dim[-1]]), np.concatenate([dim[:, 0], dim[:, -1]])
    along = max(float(pair.mean()) for pair in pairs)
    return dim if along > _MASKS_RIM and not dim.all() else None


def _rims_light(light: Light) -> Float32:
    """Return the usual light at a view's border where it is dim and grey, else none."""
    level = np.median(np.concatenate([light[0], light[-1], light[:, 0], light[:, -1]]), axis=0)
    grey = level[0] < 10.0 ** least_orange() * level[2]
    return np.asarray(level if grey and level.max() < _MASKS_LIGHT else 0.0 * level, np.float32)


def placed_sides(seen: SeenPicture, density: Float32, noise: float, in_mask: bool) -> SeenPicture:
    """Return a picture with the sides in view where its density falls to base.

    Parameters
    ----------
    seen
        The picture as seen at first, to a few pixels.
    density
        (h, w) above base, the mean of the channels.
    noise
        Standard deviation of the base's density.
    in_mask
        Whether a mask is around it: sides that are not seen lie at that, or near it.
    """
    corners = np.asarray(seen.corners, float)
    sides = [np.stack([corners[k], corners[(k + 1) % 4]]) for k in range(4)]
    reach = max(_LEAST_REACH_PX, round(_REACH * max(density.shape)))
    found = [
        _moved(side, density, reach, noise) if shows or in_mask else side
        for side, shows in zip(sides, seen.sides_seen, strict=True)
    ]
    lines = [np.cross(np.append(one, 1.0), np.append(two, 1.0)) for one, two in found]
    crossings = np.array([np.cross(lines[k - 1], lines[k]) for k in range(4)])
    return replace(seen, corners=corners_of(crossings[:, :2] / crossings[:, 2:]))


def _moved(side: Float64, density: Float32, reach: int, noise: float) -> Float64:
    """Return a side, two points (2, 2) with the picture on the right of the way, at its edge."""
    way = side[1] - side[0]
    length = float(np.hypot(*way))
    along = way / length
    inward = np.array([-along[1], along[0]])
    steps = np.arange(_TRIM * length, (1.0 - _TRIM) * length)
    across = np.arange(-2 * reach, 2 * reach + 1)
    at = (side[0] + steps[:, None, None] * along + across[:, None] * inward).astype(np.float32)
    x, y = np.ascontiguousarray(at[..., 0]), np.ascontiguousarray(at[..., 1])
    rows = cv2.remap(density, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    edge = find_edge(np.asarray(rows, np.float32), 2.0 * reach, float(reach), noise)
    if edge is None:
        return side
    middle = side[0] + steps.mean() * along + (edge.place - 2 * reach) * inward
    turned = along + edge.tilt * inward
    return np.stack([middle - turned, middle + turned])
