"""A rendition as arrays: what the compiled loops need to turn densities into scene light."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipeline.colour import RollColour
from pipeline.film_curve import PointCurve
from pipeline.kinds import Float32

# Grain and noise reach so far under the base. What is lighter still is no film, a perforation or
# the open gate: held there, it is as black as the base in all channels, not coloured by them.
# The value is the least density that ADX codes hold (SMPTE ST 2065-3: code 0).
LEAST_DENSITY = -0.19
# Entries of a curve's table: between them exposure is a straight line of density, off by a
# millionth of its value at most; curves through points have corners that none of them meets.
_ENTRIES, _ENTRIES_OF_POINTS = 1 << 14, 1 << 16
# Density of the least light under the lightest base, beyond which tables need not go.
_MOST_DENSITY = 6.0


@dataclass(frozen=True)
class Layers:
    """How densities above base become scene light, as arrays.

    `unmask` and `scene` (3, 3); `tables` (3, n) exposures, of densities ``lows + entry / steps``.
    """

    unmask: Float32
    tables: Float32
    lows: Float32
    steps: Float32
    scene: Float32


@lru_cache(maxsize=64)
def layers_of(colour: RollColour) -> Layers:
    """Return the arrays of a rendition."""
    unmask = np.asarray(colour.unmask)
    ends = np.array([LEAST_DENSITY, _MOST_DENSITY])
    reach = np.sort(unmask[..., None] * ends, axis=-1).sum(axis=1)
    points = any(isinstance(curve, PointCurve) for curve in colour.curves)
    entries = _ENTRIES_OF_POINTS if points else _ENTRIES
    steps = (entries - 1) / (reach[:, 1] - reach[:, 0])
    gains = colour.exposure * 10.0 ** np.asarray(colour.balance)
    tables = np.stack(
        [
            curve.exposure(np.linspace(low, high, entries)) * gain
            for curve, (low, high), gain in zip(colour.curves, reach, gains, strict=True)
        ]
    )
    return Layers(
        _dense(unmask),
        np.minimum(tables, np.finfo(np.float32).max / 8).astype(np.float32),
        reach[:, 0].astype(np.float32),
        steps.astype(np.float32),
        _dense(colour.scene),
    )


def _dense(values: object) -> Float32:
    return np.ascontiguousarray(np.asarray(values, np.float32))
