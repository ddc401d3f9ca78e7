"""The two passes of a straightening: of what was resampled once, few rows are held at a time."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from pipeline.kinds import Float32, Span, Whole
from pipeline.render.passes import REACH, Aslant, ColumnsFirst, Level, Places

BAND_ROWS = 16
"""Rows of a picture that are straightened at a time; so few stay in the second cache."""

# Spans so near each other are done as one: a vector takes as long as one place.
_VECTOR_PX = 16
# Whole vectors are done beyond a span, and taps reach as far again.
_AROUND_PX = 2 * _VECTOR_PX


@dataclass(frozen=True)
class Step:
    """A band of a picture: its rows, the source rows they draw on, and those no band had before."""

    band: Whole
    rows: Span
    wanted: Whole


class Passes(Protocol):
    """The two passes of some planes; `spans` (n, 2) of columns are all that is done, if given."""

    def columns(self, wanted: Whole) -> Span:
        """Return from which column to which rows of the source (n,) are drawn on."""

    def spans(self, step: Step, places: Whole) -> Whole:
        """Return spans (n, 2) of a band's columns that draw on columns of the source (m,)."""

    def take(
        self,
        planes: Float32,
        wanted: Whole,
        left: int,
        spans: Whole | None = None,
        beside: Float32 | None = None,
    ) -> None:
        """Take rows of the source, from column `left` on.

        Beside spans they are as in `beside`, what another of its kind holds, or 0.
        """

    @property
    def held(self) -> Float32:
        """Return what is held of the rows that were taken last."""

    def band(self, step: Step, spans: Whole | None = None) -> Float32:
        """Return planes (channels, n, columns) of a band, good until the next is asked for."""


class RowsFirst:
    """Planes resampled along rows, then along columns (see `Passes`)."""

    def __init__(self, way: Level | Aslant, size: Span, tall: int, channels: int) -> None:
        """Take the way of a picture of a size, and how many rows a band draws on at the most."""
        self._way, self._columns, self._tall = way, size[1], tall
        self.held = np.empty((channels, tall, size[1]), np.float32)
        self._straight = np.empty((channels, BAND_ROWS, size[1]), np.float32)

    def columns(self, wanted: Whole) -> Span:
        """Return from which column to which rows of the source (n,) are drawn on."""
        return self._way.reach(wanted, self._columns)

    def spans(self, step: Step, places: Whole) -> Whole:
        """Return spans (n, 2) of a band's columns that draw on columns of the source (m,)."""
        ends = np.array([step.rows[0], step.rows[1] - 1])
        return _spans(self._way.along(ends, self._columns), places, self._columns)

    def take(
        self,
        planes: Float32,
        wanted: Whole,
        left: int,
        spans: Whole | None = None,
        beside: Float32 | None = None,
    ) -> None:
        """Take rows of the source, from column `left` on, resampled along."""
        from pipeline.render.resample_kernel import along_rows

        targets = wanted % self._tall
        along = self._way.along(wanted, self._columns)
        places = (along.starts - left, along.slopes, along.piece)
        done = _everywhere(self._columns) if spans is None else spans
        for some in _together(len(planes)):
            along_rows(planes[some], self.held[some], targets, *places, done)
        # After the spans, as what is close behind them is not left as it was.
        for first, last in np.array([0, *done.ravel(), self._columns]).reshape(-1, 2).tolist():
            for rows in _runs(wanted, self._tall) if first < last else ():
                between = (slice(None), rows, slice(first, last))
                self.held[between] = 0.0 if beside is None else beside[between]

    def band(self, step: Step, spans: Whole | None = None) -> Float32:
        """Return planes (channels, n, columns) of a band, good until the next is asked for."""
        from pipeline.render.resample_kernel import along_columns

        self._straight = _as_high(self._straight, len(step.band))
        down = self._way.down(step.band, self._columns)
        places = (down.starts, down.slopes, down.piece)
        done = _everywhere(self._columns) if spans is None else spans
        for some in _together(len(self.held)):
            along_columns(self.held[some], self._straight[some], *places, done)
        return self._straight


class ColumnsThenRows:
    """Planes resampled along columns, then along rows (see `Passes`)."""

    def __init__(self, way: ColumnsFirst, size: Span, tall: int, channels: int) -> None:
        """Take the way of a picture of a size, and how many rows a band draws on at the most."""
        self._way, self._columns, self._tall = way, size[1], tall
        self._reach = way.reach(size)
        wide = self._reach[1] - self._reach[0]
        self.held = np.empty((channels, tall, wide), np.float32)
        self._level = np.zeros((channels, BAND_ROWS, wide), np.float32)
        self._straight = np.empty((channels, BAND_ROWS, size[1]), np.float32)

    def columns(self, wanted: Whole) -> Span:
        """Return from which column to which rows of the source (n,) are drawn on."""
        return self._reach

    def spans(self, step: Step, places: Whole) -> Whole:
        """Return spans (n, 2) of a band's columns that draw on columns of the source (m,)."""
        return _spans(self._way.along(step.band, self._columns), places, self._columns)

    def take(
        self,
        planes: Float32,
        wanted: Whole,
        left: int,
        spans: Whole | None = None,
        beside: Float32 | None = None,
    ) -> None:
        """Take rows of the source, from column `left` on, all of them as they are."""
        self.held[:, wanted % self._tall] = planes

    def band(self, step: Step, spans: Whole | None = None) -> Float32:
        """Return planes (channels, n, columns) of a band, good until the next is asked for."""
        from pipeline.render.resample_kernel import along_columns, along_rows

        count = len(step.band)
        self._level, self._straight = (
            _as_high(part, count) for part in (self._level, self._straight)
        )
        down = self._way.down(step.band, self._reach)
        along = self._way.along(step.band, self._columns)
        starts, wide = along.starts - self._reach[0], self.held.shape[2]
        done, level = _everywhere(self._columns), _everywhere(wide)
        if spans is not None:
            low, high = _offsets(along)
            done = spans
            level = spans + np.array([low - _AROUND_PX, high + _AROUND_PX]) - self._reach[0]
            level = np.clip(level, 0, wide)
        for some in _together(len(self.held)):
            columns = (down.starts, down.slopes, down.piece, level)
            along_columns(self.held[some], self._level[some], *columns)
            rows = (np.arange(count), starts, along.slopes, along.piece, done)
            along_rows(self._level[some], self._straight[some], *rows)
        return self._straight


@dataclass(frozen=True)
class Straightening:
    """How a picture of a size is straightened, band by band."""

    way: Level | Aslant | ColumnsFirst
    size: Span

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """Return the bands; one row more than needed is wanted at either end, against rounding."""
        return tuple(self._steps())

    def _steps(self) -> Iterator[Step]:
        done = None
        for top in range(0, self.size[0], BAND_ROWS):
            band = np.arange(top, min(self.size[0], top + BAND_ROWS))
            low, high = self._rows(int(band[0]), int(band[-1]))
            start, stop = int(np.floor(low)) - REACH, int(np.floor(high)) + REACH + 2
            first = start if done is None else max(start, done)
            yield Step(band, (start, stop), np.arange(first, stop))
            done = max(first, stop)

    def passes(self, channels: int) -> Passes:
        """Return the two passes of so many planes."""
        tall = max(step.rows[1] - step.rows[0] for step in self.steps)
        if isinstance(self.way, ColumnsFirst):
            return ColumnsThenRows(self.way, self.size, tall, channels)
        return RowsFirst(self.way, self.size, tall, channels)

    def _rows(self, first: int, last: int) -> tuple[float, float]:
        """Return between which rows of the source two rows of the picture lie."""
        if isinstance(self.way, ColumnsFirst):
            return self.way.rows(first, last, self.way.reach(self.size))
        return self.way.rows(first, last, self.size[1])


def _spans(along: Places, places: Whole, columns: int) -> Whole:
    """Return spans (n, 2) of columns whose samples draw on columns of the source (m,), m > 0."""
    (low, high), rising = _offsets(along), np.sort(places)
    begins = np.clip(rising - (high + REACH + 1), 0, columns)
    ends = np.clip(rising - (low - REACH - 2), 0, columns)
    apart = np.flatnonzero(begins[1:] > ends[:-1] + _VECTOR_PX)
    firsts, lasts = np.append(0, apart + 1), np.append(apart, len(ends) - 1)
    spans = np.stack([begins[firsts], ends[lasts]], axis=1)
    return np.ascontiguousarray(spans[spans[:, 0] < spans[:, 1]], np.int64)


def _offsets(along: Places) -> tuple[int, int]:
    """Return how far samples lie beyond their columns at least and at most."""
    first, last = along.starts, along.starts + along.slopes * along.piece
    low, high = min(first.min(), last.min()), max(first.max(), last.max())
    return math.floor(low), math.ceil(high)


def _runs(wanted: Whole, tall: int) -> list[slice]:
    """Return where rows that follow each other lie among so many that are held."""
    first, count = int(wanted[0]) % tall, len(wanted)
    before = min(count, tall - first)
    return [slice(first, first + before), slice(0, count - before)]


def _everywhere(columns: int) -> Whole:
    return np.array([[0, columns]])


def _as_high(planes: Float32, rows: int) -> Float32:
    """Return planes of so many rows: the same ones, or fewer for a picture's last band."""
    return planes if planes.shape[1] == rows else planes[:, :rows].copy()


def _together(channels: int) -> list[slice]:
    """Return which planes to resample together: three share their weights.

    With more the compiler can't tell that no plane lies over another, and takes them one by one.
    """
    return [slice(first, min(first + 3, channels)) for first in range(0, channels, 3)]
