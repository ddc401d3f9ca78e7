"""Light that spreads beyond a dense picture's edge: halation in the film, flare in the camera.

A place told by the light that the picture takes lies where a few hundredths of the picture's
exposure arrive, so that a little spread light moves it outwards. How far inwards density comes to
half of the picture's tells blur from spread light: blur is the same at all edges of a strip.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from pipeline.channels import median
from pipeline.kinds import Row
from pipeline.strip import measure_limits

# Thinner pictures come to half of their density where they take half of their light.
_LEAST_DENSITY = 0.6
_LEAST_ROWS = 0.3
_OUTSIDE_PX, _STEP_PX = 2.5, 0.25
_INSIDE_PX = (3.5, 5.5)
# Edges of a strip that tell what blur is usual are the sharpest of so many at the least.
_LEAST_EDGES, _SHARPEST = 4, 0.2
# Part of what is not blur is the scene's own shade along the edge: half is taken off, half doubted.
_SPREAD_SHARE = 0.5


def above_glow(part: Row) -> Row:
    """Return density above base (rows, columns), the picture on the right, less possible glow.

    Taken off is what density the light spread from a row's next few columns would have at most.
    """
    limits = measure_limits("glow")
    slope, most = float(limits["slope"]), float(limits["most_share"])
    far_px = int(limits["far_px"])
    exposure = 10.0 ** (np.maximum(part, 0.0) / slope) - 1.0
    sums = np.pad(np.cumsum(exposure, axis=1), ((0, 0), (1, far_px)), mode="edge")
    count = part.shape[1]
    beside = (sums[:, far_px:][:, 1 : count + 1] - sums[:, 1 : count + 1]) / far_px
    left: Row = part - slope * np.log10(1.0 + most * beside)
    return left


@dataclass(frozen=True)
class Fall:
    """How an edge falls to base: the blur (standard deviation, pixels) that would do the same.

    `inwards` is by how many such deviations half of the density lies inside the edge.
    """

    blur: float
    inwards: float


def fall_of(part: Row, y: Row, place: float, tilt: float) -> Fall | None:
    """Return how an edge falls to base, None where the picture is thin.

    Parameters
    ----------
    part
        (rows, columns) density above base, the picture on the right.
    y
        (rows) heights of the rows.
    place, tilt
        Where the edge crosses y = 0, in columns, and its change of place a row.
    """
    x = np.arange(-_OUTSIDE_PX, _INSIDE_PX[1] + _STEP_PX, _STEP_PX)
    if place - _OUTSIDE_PX < 0 or place + _INSIDE_PX[1] + _STEP_PX > part.shape[1] - 1:
        return None
    columns = np.clip(place + tilt * y[:, None] + x, 0.0, part.shape[1] - 1.001)
    first = columns.astype(int)
    rows = np.arange(len(y))[:, None]
    share = columns - first
    density = part[rows, first] * (1.0 - share) + part[rows, first + 1] * share
    inside = median(density[:, x >= _INSIDE_PX[0]], axis=1)
    dense = inside > _LEAST_DENSITY
    if dense.mean() < _LEAST_ROWS:
        return None
    profile = median(density[dense] / inside[dense, None], axis=0)
    index = int(np.argmax(profile >= 0.5))
    if index == 0:
        return None
    before, after = profile[index - 1], profile[index]
    half = x[index] - _STEP_PX * float((after - 0.5) / (after - before))
    deepest = 10.0 ** -float(np.median(inside[dense]))
    inwards = -NormalDist().inv_cdf((math.sqrt(deepest) - deepest) / (1.0 - deepest))
    return Fall(max(0.0, float(half) / inwards), inwards)


def usual_blur(falls: Iterable[Fall | None]) -> float:
    """Return the blur (pixels) that the sharpest edges of a strip show; infinite of too few."""
    blurs = [fall.blur for fall in falls if fall is not None]
    return float(np.quantile(blurs, _SHARPEST)) if len(blurs) >= _LEAST_EDGES else math.inf


def spread_px(fall: Fall | None, blur: float) -> float:
    """Return by how many pixels spread light moves an edge outwards, and may be off by as much."""
    return 0.0 if fall is None else _SPREAD_SHARE * fall.inwards * max(0.0, fall.blur - blur)
