"""Names for kinds of values that many modules hand on."""

from typing import Any

Triple = tuple[float, float, float]
Matrix = tuple[Triple, Triple, Triple]


def as_triple(values: Any) -> Triple:
    """Return three numbers, of an array or any sequence, as a tuple of floats."""
    red, green, blue = (float(value) for value in values)
    return (red, green, blue)


def as_matrix(rows: Any) -> Matrix:
    """Return three rows of three numbers, of an array or any sequence, as tuples of floats."""
    red, green, blue = (as_triple(row) for row in rows)
    return (red, green, blue)
