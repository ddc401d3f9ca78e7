"""Records of arrays that the compiled loops take: base, layers, and what a look shows."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float32, Int32, Whole


def dense(values: object) -> Float32:
    """Return numbers as a contiguous float32 array, as the loops take it."""
    return np.ascontiguousarray(np.asarray(values, np.float32))


class BaseLight(NamedTuple):
    """The light of the base under a band, for the compiled loops.

    The sum of `across` (rows, 3) and `along` (3, columns) is its log10. `dark` (3,) is taken off
    the light; what is left is held to the `least`.
    """

    across: Float32
    along: Float32
    dark: Float32
    least: np.float32


class Coarse(NamedTuple):
    """What a scan leaves open of density, for the compiled loop.

    `steps` (3, n) are errors of light from the dark level to `most` (3,), evenly spaced; lighter
    pixels are left alone. `greys` (2, 3) are the densities above base of a grey, and what they grow
    by together. Half of all colours lie within `spread` (3,) of it; `least` is how far a density is
    moved that may as well stay.
    """

    steps: Float32
    most: Float32
    greys: Float32
    spread: Float32
    least: np.float32


class Layers(NamedTuple):
    """How densities above base become scene light, for the compiled loops.

    `unmask` (3, 3) acts on densities, which are held to the least; `tables` (3, n) are exposures
    of densities ``lows + entry / steps``, each the bits of a float32 with those of what the next
    one has more above them; `scene` (3, 3) takes them to the working space.
    """

    unmask: Float32
    least_density: np.float32
    tables: Whole
    lows: Float32
    steps: Float32
    scene: Float32


class Scratch(NamedTuple):
    """Room for a stretch of pixels while the compiled loops are about them.

    `curved`, `places` and `found` (3, n) are of colours, `factors` (n) of single values.
    """

    curved: Float32
    places: Int32
    factors: Float32
    found: Whole


TAPS = 4
"""So many columns at a time are summed to one of a smaller picture."""


class Reduced(NamedTuple):
    """The rows of a smaller picture that a band completes, for the compiled loops.

    `rows` (3, n, w) are filled; `sums` (3, columns) is kept of what belongs to the
    row that is not complete yet. `ends` and `shares` (rows of the band) tell whether a row ends
    one of the smaller picture, and its share above that border. A column of the smaller picture
    draws on the `firsts` (w) and the next ones, by `weights` (groups, w times `TAPS`).
    """

    rows: Float32
    sums: Float32
    ends: NDArray[np.bool_]
    shares: Float32
    firsts: NDArray[np.int32]
    weights: Float32


class Showing(NamedTuple):
    """How scene light becomes encoded display values of a space, for the compiled loops.

    `matrix` (3, 3) goes from the working space to the output space; `levels` (3, 3) are black,
    white and gamma of each channel. `tone` has contrast, black, a quarter of its square, scale,
    ceiling, paper white, what stands below it in the curve, share of hue kept, least difference,
    least light (so that no power of it is less than a float32 can say);
    `gamut` threshold, scale and power of the compression, farthest distance, least light;
    `curve` exponent, offset, slope and threshold of the encoding. `printed` and `levelled` tell
    whether there is a print's tone curve, and whether levels do anything.
    """

    matrix: Float32
    tone: tuple[np.float32, ...]
    gamut: tuple[np.float32, ...]
    curve: tuple[np.float32, ...]
    levels: Float32
    printed: bool
    levelled: bool
