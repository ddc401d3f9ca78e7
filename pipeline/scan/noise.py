"""What a scan shows where it is darkest: light below its noise has no density of its own."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import SIGMA_OF_MAD, Codes, Float64, Light, Whole
from pipeline.scan.encoding import Encoding, to_light

# Lines spread over a scan, and places on each of them.
_LINES, _PLACES_A_LINE = 24, 400
# A place is held against the mean of two so far to either side, as scanners and cameras that fill
# in their pixels make next neighbours alike; how light it is there is told by two farther ones,
# which do not share its noise.
_BESIDE_PX, _AROUND_PX = 3, 6
_TAPS_PX = (-_AROUND_PX, -_BESIDE_PX, 0, _BESIDE_PX, _AROUND_PX)
_LEAST_PLACES = 100
# Places by how dark they are: the darkest part, the next one as large, then twice as many each.
_DARKEST_SHARE = 1.0 / 64.0
# Standard error of a deviation told by the median distance of n places, times the root of n, as a
# share of it (normal law: the median distance has 0.37 of the efficiency of the mean square).
_MEDIAN_ERROR = (2.0 * 0.37) ** -0.5


@dataclass(frozen=True)
class DarkPlaces:
    """The darkest places of a scan, channel by channel: their light (3,) and its noise (3,).

    Noise is one standard deviation of a pixel's light, zero where none is seen, as in codes too
    coarse for it. Light is that of the darkest sixty-fourth.
    """

    light: Float64
    noise: Float64


def lines_across(height: int, width: int) -> tuple[list[int], Whole]:
    """Return rows spread over a scan, and columns (places, 5) by `_TAPS_PX`; none of a tiny one."""
    if min(width, height) <= 2 * _AROUND_PX:
        return [], np.zeros((0, len(_TAPS_PX)), np.int64)
    count = min(_LINES, height)
    rows = ((np.arange(count) + 0.5) * height / count).astype(int).tolist()
    step = max(1, width // _PLACES_A_LINE)
    return rows, np.arange(_AROUND_PX, width - _AROUND_PX, step)[:, None] + np.array(_TAPS_PX)


def places_of_lines(lines: Sequence[Codes], encoding: Encoding, bits: int) -> DarkPlaces:
    """Return what the darkest places show by codes (places, 5, 3) of each line.

    `bits` are those of integer codes. Light is without end where the scan is too small to tell.

    Notes
    -----
    Noise is least where there is least light, and grain and what is photographed come on top of it:
    of groups of places that are alike in light, the one that scatters least tells most. A code of
    nought only says that there was no more light than that, and is left out.
    """
    if not lines:
        return DarkPlaces(np.full(3, np.inf), np.zeros(3))
    codes = np.concatenate(lines)
    light = to_light(codes, encoding, None if codes.dtype.kind == "f" else bits)
    told = [_told(light[..., channel]) for channel in range(3)]
    darkest, noise = np.array(told).T
    return DarkPlaces(darkest, noise)


def _told(light: Light) -> tuple[float, float]:
    """Return the light of a channel's darkest places, and the least noise; `light` is (n, 5)."""
    before, left, middle, right, after = light[(light[:, 1:4] > 0.0).all(axis=1)].T
    order = np.argsort(before + after)
    off = (middle - (left + right) / 2.0)[order]
    count = max(_LEAST_PLACES, round(_DARKEST_SHARE * len(off)))
    if len(off) < count:
        return np.inf, 0.0
    return float(np.median(middle[order[:count]])), _least_scatter(off, count)


def _least_scatter(off: Light, size: int) -> float:
    """Return the least standard deviation of places over groups of them, the first one so large."""
    found: list[float] = []
    first = 0
    while first + size <= len(off):
        # Three places' noise is in each, by weights 1, 1/2 and 1/2.
        spread = SIGMA_OF_MAD * float(np.median(np.abs(off[first : first + size]))) / 1.5**0.5
        # The least of several is less than they are by about this.
        found.append(spread * (1.0 + _MEDIAN_ERROR / size**0.5))
        first, size = first + size, max(size, first + size)
    return min(found)
