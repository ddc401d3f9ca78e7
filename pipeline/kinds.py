"""Names for kinds of values that many modules hand on."""

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
