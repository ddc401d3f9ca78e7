"""Density beyond what a scan resolves, taken in part from the channels that are better known.

Dense parts of a picture of 8 bits lie on its least codes, a tenth of a density apart and more; in
finer codes lamps, suns and tape lie in the scanner's noise. What that leaves open of a density is
told by what a grey would have there, as far as that is better known.
"""

import numpy as np

from pipeline.colour import RollColour, is_one_channel
from pipeline.kinds import Float32, Float64, Floats
from pipeline.profile import shipped
from pipeline.render.arrays import BaseLight, Coarse, dense
from pipeline.scan import Scan, dark_places, light_steps, rounding_codes
from pipeline.strip import FrameBase

# Codes of so many bits round more than a scanner's noise is.
_COARSE_BITS, _MOST_BITS = 8, 16
# What would move a density by less than this, whatever its colour, moves nothing.
_LEAST_DENSITY = 0.002
# Exposures between which greys are told by a straight line: the denser parts of pictures.
_GREYS = 0.18 * 2.0 ** np.linspace(-1.0, 4.0, 11)
_ENTRIES = 64
# Light above dark that is looked at, in steps of a percent.
_LIGHTS = np.geomspace(1e-7, 1.0, 1600)


def coarse_of(scan: Scan, base: FrameBase, colour: RollColour) -> Coarse | None:
    """Return what a scan leaves open of light over a base; None where that is nothing to be seen.

    Raises
    ------
    ScanProblem
        The file is damaged.
    """
    if is_one_channel(colour):
        return None
    dark = np.asarray(base.illumination.dark, float)
    errors = _errors(scan, dark)
    moves = _most_moved(errors / _LIGHTS[:, None])
    # Less light is never better known; what is held to its error is not known at all.
    known = (moves <= _LEAST_DENSITY).argmax(axis=0)
    if not errors.any() or (moves[-1] > _LEAST_DENSITY).any():
        return None
    most = _LIGHTS[known]
    tables = [
        np.interp(np.linspace(0.0, end, _ENTRIES), _LIGHTS, errors[:, c])
        for c, end in enumerate(most)
    ]
    return Coarse(dense(tables), dense(dark + most), *_law(colour))


def _errors(scan: Scan, dark: Float64) -> Float64:
    """Return what light may be off by, (lights, 3), one standard deviation, at `_LIGHTS` over dark.

    What codes round is the same for all pixels of an even place. Noise differs from one to the
    next, and their mean is right; that of their densities is off by the logarithm's bend, of half
    the squared noise over light, which the eye sees as a colour. So is what is lost where places
    darker than the dark level tell that it lies too high.
    """
    errors = np.zeros((len(_LIGHTS), 3))
    if not scan.floating and scan.bits <= _MOST_BITS:
        lights = _LIGHTS[:, None] + dark
        errors = rounding_codes(scan) * light_steps(lights, scan.encoding, scan.bits)
    if scan.floating or scan.bits > _COARSE_BITS:
        seen = dark_places(scan)
        off = np.hypot(seen.noise, np.maximum(dark - seen.light, 0.0))
        bent = off**2 / (2.0 * np.maximum(_LIGHTS[:, None], off / 2.0**0.5 + _LIGHTS[0]))
        errors = np.hypot(errors, bent)
    return errors


def _most_moved(relative: Float64) -> Float64:
    """Return how far densities (n, 3) of light of such relative errors are moved at the most.

    Doubts that are small beside the spread of colours move those as far off grey as it the most.
    """
    doubt = -np.log10(np.maximum(1.0 - relative, 1e-6))
    return doubt**2 / _off_grey()


def _law(colour: RollColour) -> tuple[Float32, Float32, np.float32]:
    """Return a colour's line of greys, how far colours lie off it, and the least that is moved."""
    return dense(_greys(colour)), dense(_off_grey()), np.float32(_LEAST_DENSITY)


def _off_grey() -> Float64:
    return np.array(shipped("measure.toml")["coarse"]["off_grey_density"], float)


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
    relative = np.ascontiguousarray(np.minimum(doubt * np.log(10.0), 1.0), float)
    moved_densities(above.reshape(-1, 3), relative.reshape(-1, 3), coarse)
    return above


def settle(light: Float32, base: BaseLight, coarse: Coarse) -> None:
    """Move light (3, n, columns), in place, to what is likely where too little of it is known."""
    from pipeline.render.coarse_kernel import settled

    settled(light, base, coarse)
