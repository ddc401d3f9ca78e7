"""Density that a file's codes tell too coarsely, taken in part from its other channels.

Dense parts of a picture of 8 bits lie on its least codes, a tenth of a density apart and more. What
the codes leave open of a density is told by what a grey would have there, as far as that is better
known.
"""

import numpy as np

from pipeline.colour import RollColour, is_one_channel
from pipeline.kinds import Float32, Float64, Floats
from pipeline.profile import shipped
from pipeline.render.arrays import BaseLight, Coarse, dense
from pipeline.scan import Scan, light_steps, rounding_codes
from pipeline.strip import FrameBase

_MOST_BITS = 8
# A doubt that would change less than this share of a density off grey changes nothing.
_LEAST_SHARE = 0.01
# Exposures between which greys are told by a straight line: the denser parts of pictures.
_GREYS = 0.18 * 2.0 ** np.linspace(-1.0, 4.0, 11)
_ENTRIES = 64


def coarse_of(scan: Scan, base: FrameBase, colour: RollColour) -> Coarse | None:
    """Return what a scan's codes leave open over a base; None where that is nothing to be seen."""
    if scan.floating or scan.bits > _MOST_BITS or is_one_channel(colour):
        return None
    off_grey = _off_grey()
    dark = np.asarray(base.illumination.dark, float)
    lights = np.linspace(0.0, 1.0, 1 << 12)[:, None] + np.zeros(3)
    steps = rounding_codes(scan) * light_steps(lights, scan.encoding, scan.bits)
    doubt = steps / (np.log(10.0) * np.maximum(lights - dark, steps))
    share = doubt**2 / (doubt**2 + off_grey**2)
    coarse = share > _LEAST_SHARE
    if coarse.all(axis=0).any():
        return None
    # Codes are coarsest where there is least light.
    most = lights[coarse.sum(axis=0), range(3)]
    tables = [
        np.interp(np.linspace(0.0, end, _ENTRIES), lights[:, c], steps[:, c])
        for c, end in enumerate(most)
    ]
    return Coarse(dense(tables), dense(most), *_law(colour))


def _law(colour: RollColour) -> tuple[Float32, np.float32, np.float32]:
    """Return a colour's line of greys, how far colours lie off it, and the least share."""
    return dense(_greys(colour)), np.float32(_off_grey()), np.float32(_LEAST_SHARE)


def _off_grey() -> float:
    return float(shipped("measure.toml")["coarse"]["off_grey_density"])


def _greys(colour: RollColour) -> Float64:
    """Return a point on the line of greys in density above base, and the line's way (2, 3)."""
    gains = 10.0 ** np.asarray(colour.balance) * colour.exposure
    layers = [
        curve.density(_GREYS / gain) for curve, gain in zip(colour.curves, gains, strict=True)
    ]
    above = np.linalg.solve(np.asarray(colour.unmask), np.array(layers))
    way, point = np.polyfit(np.log10(_GREYS), above.T, 1)
    return np.stack([point, way])


def settled_densities(densities: Floats, doubt: Float64, colour: RollColour) -> Float64:
    """Return densities above base (..., 3), moved to what is likely where codes tell too little.

    `doubt` is what each may be off by, one standard deviation.
    """
    above = np.array(densities, float)
    if is_one_channel(colour):
        return above
    from pipeline.render.coarse_kernel import moved_densities

    coarse = Coarse(np.zeros((3, 0), np.float32), np.zeros(3, np.float32), *_law(colour))
    moved_densities(above.reshape(-1, 3), np.ascontiguousarray(doubt, float).reshape(-1, 3), coarse)
    return above


def settle(light: Float32, base: BaseLight, coarse: Coarse) -> None:
    """Move light (3, n, columns), in place, to what is likely where codes tell too little."""
    from pipeline.render.coarse_kernel import settled

    settled(light, base, coarse)
