"""Names for kinds of values that many modules hand on, and units that hold everywhere."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

Point = tuple[float, float]
Triple = tuple[float, float, float]
Area = tuple[float, float, float, float]
Matrix = tuple[Triple, Triple, Triple]
Corners = tuple[Point, ...]
Span = tuple[int, int]

# Arrays, by their numbers and by what they hold.
Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Int32 = NDArray[np.int32]
Floats = NDArray[np.floating[Any]]
Light = NDArray[np.float32]
Picture = NDArray[np.float32]
Density = NDArray[np.float32]
Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]
Bits = NDArray[np.bool_]
Codes = NDArray[Any]
Pixels = NDArray[Any]
Row = NDArray[np.float64]
Numbers = NDArray[np.float64]
Signal = NDArray[np.float64]
Points = NDArray[np.float64]
Whole = NDArray[np.int64]

CHANNELS = ("red", "green", "blue")

# Kinds of frame, and those of them that hold a picture and are written.
KINDS = ("picture", "partial", "blank", "fogged")
HOLDS_PICTURE = KINDS[:2]


def as_triple(values: Any) -> Triple:
    """Return three numbers, of an array or any sequence, as a tuple of floats."""
    red, green, blue = (float(value) for value in values)
    return (red, green, blue)


def as_matrix(rows: Any) -> Matrix:
    """Return three rows of three numbers, of an array or any sequence, as tuples of floats."""
    red, green, blue = (as_triple(row) for row in rows)
    return (red, green, blue)


MM_PER_INCH = 25.4
# A stop doubles the exposure.
LOG_STOP = math.log10(2.0)
# Exposure of a grey card, 1.0 = a perfect white.
MIDDLE_GREY = 0.18
# CIE Y of linear ACEScg red, green and blue (Academy S-2014-004).
LUMINANCE = (0.272229, 0.674082, 0.053689)
# The standard deviation of a normal law is its median absolute deviation times this.
SIGMA_OF_MAD = 1.4826
