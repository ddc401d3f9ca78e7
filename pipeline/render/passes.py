"""Where the two passes of a straightening take their samples: along rows, and along columns."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float64, Numbers, Span

REACH = 4
"""Taps to either side of a place."""

# Over at most so many pixels a picture seen aslant is taken as seen straight, and over so few that
# none is moved by more than so much.
_LONGEST_PIECE, _MOST_OFF_PX = 512, 1 / 256

_Whole = NDArray[np.int64]


@dataclass(frozen=True)
class Places:
    """Places of samples (n, pieces): in piece k, u is at ``starts[k] + slopes[k] (u - k piece)``.

    Along rows they are counted from u itself.
    """

    starts: Float64
    slopes: Float64
    piece: int


@dataclass(frozen=True)
class Level:
    """A way (2, 3) from a picture's pixels that keeps lines parallel."""

    matrix: Float64

    def along(self, wanted: _Whole, columns: int) -> Places:
        """Return where rows of the source (n,) are sampled for each column of the picture."""
        (a, b, c), (d, e, f) = self.matrix.tolist()
        starts = b / e * (wanted - f) + c
        slopes = np.full((len(wanted), 1), a - b * d / e - 1.0)
        return Places(starts[:, None], slopes, columns)

    def reach(self, wanted: _Whole, columns: int) -> tuple[int, int]:
        """Return from which column to which these samples draw on the source."""
        (a, b, c), (d, e, f) = self.matrix.tolist()
        starts = b / e * (wanted - f) + c
        most = starts.max() + (a - b * d / e) * (columns - 1)
        return int(np.floor(starts.min())) - REACH, int(np.ceil(most)) + REACH + 2

    def down(self, band: _Whole, columns: int) -> Places:
        """Return in which rows of the source rows of the picture (n,) lie, column by column."""
        _, (d, e, f) = self.matrix.tolist()
        return Places((e * band + f)[:, None], np.full((len(band), 1), d), columns)

    def rows(self, first: int, last: int, columns: int) -> tuple[float, float]:
        """Return between which rows of the source two rows of the picture lie."""
        _, (d, e, f) = self.matrix.tolist()
        lean = d * (columns - 1)
        return e * first + f + min(0.0, lean), e * last + f + max(0.0, lean)


@dataclass(frozen=True)
class Aslant:
    """A homography (3, 3) from a picture's pixels, near enough to level that rows stay rows."""

    matrix: Float64
    piece: int

    @staticmethod
    def of(matrix: Float64, size: Span) -> "Aslant":
        """Return the way of a picture of so many rows and columns, in pieces short enough."""
        ends = np.array([0, size[0] - 1])
        for piece in _pieces():
            way = Aslant(matrix, piece)
            edges = _edges(size[1] + piece, piece)
            lines = way._row(ends, edges)
            bent = np.diff(np.vstack([way._across(np.rint(lines[:, 0]), edges), lines]), n=2)
            if np.abs(bent).max() / 8 < _MOST_OFF_PX:
                break
        return way

    def along(self, wanted: _Whole, columns: int) -> Places:
        """Return where rows of the source (n,) are sampled for each column of the picture."""
        edges = _edges(columns, self.piece)
        beyond = self._across(wanted, edges) - edges
        return Places(beyond[:, :-1].copy(), np.diff(beyond, axis=1) / self.piece, self.piece)

    def reach(self, wanted: _Whole, columns: int) -> tuple[int, int]:
        """Return from which column to which these samples draw on the source."""
        ends = self._across(wanted, _ends(columns))
        return int(np.floor(ends.min())) - REACH, int(np.ceil(ends.max())) + REACH + 2

    def down(self, band: _Whole, columns: int) -> Places:
        """Return in which rows of the source rows of the picture (n,) lie, column by column."""
        lines = self._row(band, _edges(columns, self.piece))
        return Places(lines[:, :-1].copy(), np.diff(lines, axis=1) / self.piece, self.piece)

    def rows(self, first: int, last: int, columns: int) -> tuple[float, float]:
        """Return between which rows of the source two rows of the picture lie."""
        lines = self._row(np.array([first, last]), _ends(columns))
        return float(lines.min()), float(lines.max())

    def _row(self, band: _Whole, u: Float64) -> Float64:
        _, (d, e, f), (g, h, i) = self.matrix.tolist()
        v = band[:, None].astype(float)
        return np.asarray((d * u + e * v + f) / (g * u + h * v + i))

    def _across(self, wanted: _Whole | Numbers, u: Float64) -> Float64:
        """Return the source's column of the picture's column u on a row of the source."""
        (a, b, c), (d, e, f), (g, h, i) = self.matrix.tolist()
        row = wanted[:, None].astype(float)
        v = (row * (g * u + i) - d * u - f) / (e - h * row)
        return np.asarray((a * u + b * v + c) / (g * u + h * v + i))


@dataclass(frozen=True)
class ColumnsFirst:
    """A homography (3, 3) from a picture's pixels that is resampled along columns first."""

    matrix: Float64
    piece: int

    @staticmethod
    def of(matrix: Float64, size: Span) -> "ColumnsFirst":
        """Return the way of a picture of so many rows and columns, in pieces short enough."""
        ends = np.array([0, size[0] - 1])
        for piece in (size[1], *_pieces()):
            way = ColumnsFirst(matrix, piece)
            bent = np.diff(way._across(ends, _edges(size[1] + piece, piece)), n=2)
            if np.abs(bent).max() / 8 < _MOST_OFF_PX:
                break
        return way

    def reach(self, size: Span) -> Span:
        """Return from which column to which a whole picture draws on the source."""
        x = self._across(np.array([0, size[0] - 1]), np.array([0.0, size[1] - 1.0]))
        return int(np.floor(x.min())) - REACH, int(np.ceil(x.max())) + REACH + 2

    def rows(self, first: int, last: int, columns: Span) -> tuple[float, float]:
        """Return between which rows of the source two rows of the picture lie."""
        y = self._down(np.array([first, last]), np.array([columns[0], columns[1] - 1.0]))
        return float(y.min()), float(y.max())

    def down(self, band: _Whole, columns: Span) -> Places:
        """Return in which rows of the source rows of the picture (n,) lie, by its columns.

        A straight row of the picture is a straight line on the source, seen aslant or not.
        """
        left, right = columns
        lines = self._down(band, np.array([left, right - 1.0]))
        slopes = np.diff(lines, axis=1) / (right - 1 - left)
        return Places(lines[:, :1].copy(), slopes, right - left)

    def along(self, band: _Whole, columns: int) -> Places:
        """Return where rows of the picture (n,) are sampled for each of its columns."""
        edges = _edges(columns, self.piece)
        beyond = self._across(band, edges) - edges
        return Places(beyond[:, :-1].copy(), np.diff(beyond, axis=1) / self.piece, self.piece)

    def _across(self, band: _Whole, u: Float64) -> Float64:
        """Return the source's columns where rows and columns of the picture meet."""
        (a, b, c), _, (g, h, i) = self.matrix.tolist()
        v = band[:, None].astype(float)
        return np.asarray((a * u + b * v + c) / (g * u + h * v + i))

    def _down(self, band: _Whole, x: Float64) -> Float64:
        """Return the source's rows where rows of the picture meet columns of the source."""
        (a, b, c), (d, e, f), (g, h, i) = self.matrix.tolist()
        v = band[:, None].astype(float)
        u = (b * v + c - x * (h * v + i)) / (g * x - a)
        return np.asarray((d * u + e * v + f) / (g * u + h * v + i))


def _ends(columns: int) -> Float64:
    """Return a picture's first and last column; its last piece may end far beyond them."""
    return np.array([0.0, columns - 1.0])


def _edges(columns: int, piece: int) -> Float64:
    """Return where pieces of a picture's columns begin and end."""
    return np.arange(0.0, columns + piece, piece, dtype=np.float64)


def _pieces() -> tuple[int, ...]:
    """Return lengths of pieces to try, the longest first."""
    return tuple(_LONGEST_PIECE >> halved for halved in range(_LONGEST_PIECE.bit_length()))
