"""Straightening: a tilted rectangle of pixels upright, resampled once; means over areas."""

from collections.abc import Callable, Iterator
from functools import partial
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float32, Float64, Pixels, Span
from pipeline.render.arrays import TAPS, Reduced
from pipeline.render.passes import REACH, Aslant, ColumnsFirst, Level
from pipeline.render.upright import FLAT, NEGLIGIBLE_PX, Upright

MARGIN_PX = 8
"""Pixels outside an outline that its picture draws on: half of the taps, and as many for tilt."""

BAND_ROWS = 16
"""Rows of a picture that are straightened at a time; so few stay in the second cache."""


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
    matrix = np.asarray(way.matrix)
    place = matrix[:2]
    whole = np.rint(place[:, 2])
    plain = np.column_stack([np.eye(2), whole])
    aslant = way.matrix[2] != FLAT
    if aslant or _farthest(place - plain, size) >= NEGLIGIBLE_PX:
        if way.columns_first:
            yield from _columns_first(lines, ColumnsFirst.of(matrix, size), size)
        else:
            yield from _two_passes(lines, Aslant.of(matrix, size) if aslant else Level(place), size)
        return
    rows, columns = size
    left, first = int(whole[0]), int(whole[1])
    for top in range(0, rows, BAND_ROWS):
        stop = min(rows, top + BAND_ROWS)
        yield top, lines.planes((first + top, first + stop), (left, left + columns))


def _farthest(difference: Float64, size: tuple[int, int]) -> float:
    """Return the most that a map of places moves any pixel of a picture."""
    rows, columns = size
    corners = np.array([[x, y, 1] for x in (0, columns - 1) for y in (0, rows - 1)], float)
    return float(np.abs(corners @ difference.T).max())


def _two_passes(lines: Lines, way: Level | Aslant, size: Span) -> Iterator[tuple[int, Float32]]:
    """Resample along rows, then along columns; of the first pass few rows are held at a time."""
    from pipeline.render.resample_kernel import along_columns, along_rows

    columns = size[1]
    bands = list(_bands(partial(way.rows, columns=columns), size[0]))
    tall = max(stop - first for _, (first, stop), _ in bands)
    ring = np.empty((lines.channels, tall, columns), np.float32)
    straight = np.empty((lines.channels, BAND_ROWS, columns), np.float32)
    together = _together(lines.channels)
    for band, _, wanted in bands:
        if len(wanted):
            along = way.along(wanted, columns)
            left, right = way.reach(wanted, columns)
            block = lines.planes((int(wanted[0]), int(wanted[-1]) + 1), (left, right))
            places = (along.starts - left, along.slopes, along.piece)
            for some in together:
                along_rows(block[some], ring[some], wanted % tall, *places)
        part = straight
        if len(band) < BAND_ROWS:
            part = np.empty((lines.channels, len(band), columns), np.float32)
        down = way.down(band, columns)
        for some in together:
            along_columns(ring[some], part[some], down.starts, down.slopes, down.piece)
        yield int(band[0]), part


def _columns_first(lines: Lines, way: ColumnsFirst, size: Span) -> Iterator[tuple[int, Float32]]:
    """Resample along columns, then along rows; of the source few rows are held at a time."""
    from pipeline.render.resample_kernel import along_columns, along_rows

    columns, reach = size[1], way.reach(size)
    bands = list(_bands(partial(way.rows, columns=reach), size[0]))
    tall = max(stop - first for _, (first, stop), _ in bands)
    ring = np.empty((lines.channels, tall, reach[1] - reach[0]), np.float32)
    level = np.empty((lines.channels, BAND_ROWS, ring.shape[2]), np.float32)
    straight = np.empty((lines.channels, BAND_ROWS, columns), np.float32)
    together = _together(lines.channels)
    for band, _, wanted in bands:
        if len(wanted):
            ring[:, wanted % tall] = lines.planes((int(wanted[0]), int(wanted[-1]) + 1), reach)
        if len(band) < BAND_ROWS:
            level, straight = (part[:, : len(band)].copy() for part in (level, straight))
        down = way.down(band, reach)
        along = way.along(band, columns)
        places = (along.starts - reach[0], along.slopes, along.piece)
        for some in together:
            along_columns(ring[some], level[some], down.starts, down.slopes, down.piece)
            along_rows(level[some], straight[some], np.arange(len(band)), *places)
        yield int(band[0]), straight


def _together(channels: int) -> list[slice]:
    """Return which planes to resample together: three share their weights.

    With more the compiler can't tell that no plane lies over another, and takes them one by one.
    """
    return [slice(first, min(first + 3, channels)) for first in range(0, channels, 3)]


def _bands(
    span: Callable[[int, int], tuple[float, float]], rows: int
) -> Iterator[tuple[NDArray[np.int64], Span, NDArray[np.int64]]]:
    """Yield rows of the picture, the span of those they need, and what of it no band before did.

    `span` tells between which rows of the source two rows of the picture lie; one more than needed
    is taken at either end, against rounding.
    """
    done = None
    for top in range(0, rows, BAND_ROWS):
        band = np.arange(top, min(rows, top + BAND_ROWS))
        low, high = span(int(band[0]), int(band[-1]))
        start, stop = int(np.floor(low)) - REACH, int(np.floor(high)) + REACH + 2
        first = start if done is None else max(start, done)
        yield band, (start, stop), np.arange(first, stop)
        done = max(first, stop)


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
