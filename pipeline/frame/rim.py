"""The rim of a picture that is not all picture: the gate's soft shadow, round corners, slant.

A side of an outline is a straight line with an error; the gate's edge is soft, a little bowed or
turned against it. Where the rim is base, wholly or in part, it is thinner than the picture beside;
where resampling rings beside such an edge, it is denser.
"""

import math
from collections.abc import Mapping

import numpy as np

from pipeline.channels import median
from pipeline.kinds import Area, Bits, Float32, Floats
from pipeline.profile import shipped

# A side is looked at in parts, since it may be off at one end alone.
_PARTS = 4
# Lines are held against others so much farther in, which no blur of a small picture reaches.
_APART = 2
# What lines do farther inside is what they do by chance; so many deviations are more than that.
_INSIDE, _SURELY = 12, 3.0
# A quarter of a normal law lies within so many deviations; edges in the picture are in the rest.
_QUARTER = 0.3186
# Thin spots beside dense ones are no corner's where so much of a picture is like that.
_SELDOM = 0.005
_SIDES = ("left", "top", "right", "bottom")


def rim_mm(density: Floats, size_mm: tuple[float, float]) -> Area:
    """Return how much of a picture's left, top, right and lower side is not all picture, in mm.

    None of them is more than `most_mm` of `measure.toml`. A side shows none where the picture is
    as thin as the base around it.

    Parameters
    ----------
    density
        Density above base (h, w, 3) inside the outline, of a small picture.
    size_mm
        Width and height of the outline.
    """
    limits = shipped("measure.toml")["rim"]
    rows, columns = density.shape[:2]
    pitches = np.tile([size_mm[0] / columns, size_mm[1] / rows], 2)
    most = [math.ceil(limits["most_mm"] / pitch) for pitch in pitches]
    if min(rows, columns) < 2 * (max(most) + _INSIDE + 2 * _APART):
        return 0.0, 0.0, 0.0, 0.0
    picture = np.asarray(density, np.float32)
    depths = [
        _depth(_from_side(picture, side), count, limits["least_density"])
        for side, count in zip(_SIDES, most, strict=True)
    ]
    depths = _clear_of_corners(picture, depths, most, limits)
    left, top, right, lower = np.minimum(depths * pitches, limits["most_mm"]).tolist()
    return left, top, right, lower


def _from_side(picture: Float32, side: str) -> Float32:
    """Return lines (n, length, 3) of a picture from one side inwards."""
    lines = picture.swapaxes(0, 1) if side in ("left", "right") else picture
    return lines[::-1] if side in ("right", "bottom") else lines


def _depth(lines: Float32, most: int, least_density: float) -> int:
    """Return how many lines, one after the other, are not as the picture inside."""
    ends = most + _APART
    off = _departures(lines[: most + _INSIDE + 2 * _APART, ends:-ends])
    usual = np.quantile(np.abs(off[most:]), 0.25, axis=(0, 1)) / _QUARTER
    unlike = (np.abs(off[:most]) > np.maximum(least_density, _SURELY * usual)).any(axis=(1, 2))
    return most if unlike.all() else int(np.argmin(unlike))


def _departures(lines: Float32) -> Float32:
    """Return how much thinner each line (n, parts, 3) is than those inside it lead to."""
    outer, inner, inmost = (lines[n * _APART : len(lines) - (2 - n) * _APART] for n in range(3))
    off = (inner - outer) - (inmost - inner)
    parts = np.array_split(off, _PARTS, axis=1)
    return np.stack([median(part, axis=1) for part in parts], axis=1).astype(np.float32)


def _clear_of_corners(
    picture: Float32, depths: list[int], most: list[int], limits: Mapping[str, float]
) -> list[int]:
    """Return depths of the four sides that leave none of the base in round corners."""
    depths, grey = list(depths), picture.mean(axis=2)
    for across, down in ((0, 1), (2, 1), (2, 3), (0, 3)):
        tips = _tips(grey[:: 1 if down == 1 else -1, :: 1 if across == 0 else -1], limits)
        if tips.mean() > _SELDOM:
            continue
        for _ in range(max(most)):
            x, y = depths[across], depths[down]
            if not tips[y, x]:
                break
            depths[across], depths[down] = min(x + 1, most[across]), min(y + 1, most[down])
    return depths


def _tips(grey: Float32, limits: Mapping[str, float]) -> Bits:
    """Tell where a picture (h, w) is thinner than those places lead to that a corner leaves whole.

    They lie to the right, below and between; a scene that fades towards the corner is none.
    """
    far, reach = 2 * _APART, 4 * _APART
    rows, columns = grey.shape[0] - reach, grey.shape[1] - reach

    def leads(down: int, right: int) -> Float32:
        """Return what a place and one twice as far away lead to."""
        near = grey[down : down + rows, right : right + columns]
        beyond = grey[2 * down : 2 * down + rows, 2 * right : 2 * right + columns]
        led: Float32 = np.minimum(near, np.float32(2.0) * near - beyond)
        return led

    all_lead = np.minimum(np.minimum(leads(0, far), leads(far, 0)), leads(_APART, _APART))
    least = np.maximum(limits["least_density"], (1.0 - limits["corner_share"]) * all_lead)
    return np.asarray(all_lead - grey[:rows, :columns] > least)
