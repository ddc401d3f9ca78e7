"""Straightening: a tilted rectangle of pixels upright, resampled once; means over areas."""

from collections.abc import Iterator
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float32, Float64, Pixels, Span, Whole
from pipeline.render.arrays import TAPS, Reduced
from pipeline.render.passes import Aslant, ColumnsFirst, Level
from pipeline.render.straighten import BAND_ROWS, Passes, Straightening
from pipeline.render.upright import FLAT, NEGLIGIBLE_PX, Upright

MARGIN_PX = 8
"""Pixels outside an outline that its picture draws on: half of the taps, and as many for tilt."""


class Lines(Protocol):
    """Pixels that give their rows as planes of floats, a few at a time and downwards."""

    @property
    def channels(self) -> int:
        """Return how many planes there are."""

    def planes(self, rows: Span, columns: Span) -> Float32:
        """Return planes (channels, n, w); beyond the pixels their edge goes on."""


def straight_bands(lines: Lines, way: Upright, size: Span) -> Iterator[tuple[int, Float32]]:
    """Yield a picture in bands: its first row, and planes (channels, n, columns).

    The planes are good until the next band is asked for.

    Parameters
    ----------
    lines
        The upright pixels, asked for downwards, each row once.
    way
        How the picture lies on them.
    size
        Rows and columns of the picture.

    Notes
    -----
    Quarter turns and mirrors are exact, and so is a picture that lies on whole pixels. The rest
    is done in two passes, along rows, then along columns (Catmull and Smith, SIGGRAPH 1980, from
    memory), or the other way round where `way` says so, each with eight taps of a sinc under a
    Kaiser window, at exact places. A value stays
    within its two nearest samples, so that nothing rings beside a hard edge; only a crest that
    falls off on both sides may rise above them, by a quarter of the lesser fall, and a trough
    sink as much, but by no more than a quarter of its own light.
    """
    straightening = straightening_of(way, size)
    if straightening is None:
        yield from whole_bands(lines, way, size)
        return
    passes = straightening.passes(lines.channels)
    for step in straightening.steps:
        take_rows(lines, passes, step.wanted)
        yield int(step.band[0]), passes.band(step)


def take_rows(lines: Lines, passes: Passes, wanted: Whole) -> tuple[Float32, Span] | None:
    """Have two passes take rows of lines (n,); return their planes, and of what columns."""
    if not len(wanted):
        return None
    columns = passes.columns(wanted)
    planes = lines.planes((int(wanted[0]), int(wanted[-1]) + 1), columns)
    passes.take(planes, wanted, columns[0])
    return planes, columns


def straightening_of(way: Upright, size: Span) -> Straightening | None:
    """Return how a picture is straightened; None where it lies on whole pixels."""
    matrix = np.asarray(way.matrix)
    place = matrix[:2]
    plain = np.column_stack([np.eye(2), np.rint(place[:, 2])])
    aslant = way.matrix[2] != FLAT
    if not aslant and _farthest(place - plain, size) < NEGLIGIBLE_PX:
        return None
    if way.columns_first:
        return Straightening(ColumnsFirst.of(matrix, size), size)
    return Straightening(Aslant.of(matrix, size) if aslant else Level(place), size)


def whole_bands(lines: Lines, way: Upright, size: Span) -> Iterator[tuple[int, Float32]]:
    """Yield the bands of a picture that lies on whole pixels, as they are."""
    left, first = first_pixel(way)
    for top in range(0, size[0], BAND_ROWS):
        stop = min(size[0], top + BAND_ROWS)
        yield top, lines.planes((first + top, first + stop), (left, left + size[1]))


def first_pixel(way: Upright) -> tuple[int, int]:
    """Return the column and the row of the pixels on which a picture's first one lies."""
    left, first = (round(row[2]) for row in way.matrix[:2])
    return left, first


def _farthest(difference: Float64, size: tuple[int, int]) -> float:
    """Return the most that a map of places moves any pixel of a picture."""
    rows, columns = size
    corners = np.array([[x, y, 1] for x in (0, columns - 1) for y in (0, rows - 1)], float)
    return float(np.abs(corners @ difference.T).max())


def rounded(planes: Float32, kind: np.dtype[np.generic]) -> Pixels:
    """Return planes (channels, n, w) as pixels (n, w, channels) of a type, held to its range."""
    pixels = np.moveaxis(planes, 0, 2)
    if kind.kind != "u":
        return np.ascontiguousarray(pixels, np.float32)
    if len(planes) == 3 and kind.itemsize <= 2:
        from pipeline.render.band_kernel import ONE
        from pipeline.render.code_kernel import interleaved

        codes = np.empty(pixels.shape, kind)
        most = np.float32(256**kind.itemsize - 1)
        interleaved(np.ascontiguousarray(planes), codes, False, most, ONE)
        return codes
    whole = np.rint(pixels)
    np.clip(whole, 0, 256**kind.itemsize - 1, out=whole)
    return np.asarray(whole, kind, order="C")


def reduced_size(size: Span, long_side: int | None) -> Span:
    """Return rows and columns of a picture whose longer side is to be at most `long_side`."""
    longest = max(size)
    if long_side is None or longest <= long_side:
        return size
    rows, columns = (max(1, round(side * long_side / longest)) for side in size)
    return rows, columns


class AreaMean:
    """Bands of a picture in, bands of a smaller one out: each pixel the mean of its area."""

    def __init__(self, size: Span, small: Span) -> None:
        """Take rows and columns of the picture, and of the smaller one."""
        self.same, self._columns = size == small, small[1]
        scale = small[0] * small[1] / (size[0] * size[1])
        self._firsts, self._weights = _column_weights(size[1], small[1], scale)
        places = np.arange(size[0], dtype=np.int64)
        targets = places * small[0] // size[0]
        self._ends = (places + 1) * small[0] // size[0] > targets
        # The share of a row above the border between two rows of the smaller picture.
        borders = (targets + 1) * size[0] / small[0]
        self._shares = np.minimum(borders - places, 1.0).astype(np.float32)
        self._sums = np.zeros((3, size[1]), np.float32)

    def of(self, planes: Float32, top: int) -> Float32:
        """Return planes (3, n, columns) of the smaller picture that rows from `top` on complete.

        Bands are taken in order; n may be 0. A picture that isn't smaller is passed on.
        """
        from pipeline.render.mean_kernel import area_means

        if self.same:
            return planes
        reduced = self.rows(top, planes.shape[1])
        area_means(planes, reduced)
        return reduced.rows

    def rows(self, top: int, count: int) -> Reduced:
        """Return what the compiled loops fill in for so many rows from `top` on."""
        rows = slice(top, top + count)
        ends = self._ends[rows]
        complete = np.empty((3, int(ends.sum()), self._columns), np.float32)
        return Reduced(complete, self._sums, ends, self._shares[rows], self._firsts, self._weights)


def _column_weights(wide: int, small: int, scale: float) -> tuple[NDArray[np.int32], Float32]:
    """Return the first column that each of fewer ones draws on, and weights (groups, n).

    A weight is the part of a column inside the one of the smaller picture, times a scale. A group
    holds `TAPS` of them for each; the last ones may lie beyond the picture, with no weight.
    """
    edges = np.arange(small + 1) * wide / small
    taps = min(wide, int(np.ceil(wide / small)) + 1)
    firsts = np.minimum(np.floor(edges[:-1]), wide - taps)
    groups = -(-taps // TAPS)
    lefts = firsts[:, None] + np.arange(groups * TAPS)
    inside = np.minimum(lefts + 1, edges[1:, None]) - np.maximum(lefts, edges[:-1, None])
    weights = (np.maximum(inside, 0.0) * scale).astype(np.float32)
    grouped = np.moveaxis(weights.reshape(small, groups, TAPS), 1, 0)
    return firsts.astype(np.int32), np.ascontiguousarray(grouped).reshape(groups, -1)
