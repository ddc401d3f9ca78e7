"""One frame cut out of its scan: its window, read a slab at a time, straightened, in bands."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Codes, Corners, Float32, Span
from pipeline.render.resample import MARGIN_PX, rounded, straight_bands
from pipeline.render.upright import Upright, upright
from pipeline.scan import Reader, Scan, dense_codes, finite, light_tables, opened, to_light

Band = tuple[int, Float32]

# A slab of rows is read at a time. Lying across, each of its rows is a few pixels of many rows of
# the file; where those are decoded for each slab, a larger one makes fewer of them.
_SLAB_BYTES, _ACROSS_SLAB_BYTES, _DECODED_SLAB_BYTES = 2 << 20, 4 << 20, 48 << 20


def picture_size(outline: Corners) -> tuple[int, int]:
    """Return rows and columns of a straightened picture at the scan's own resolution."""
    corners = np.asarray(outline, float)
    across = np.hypot(*(corners[1] - corners[0])) + np.hypot(*(corners[2] - corners[3]))
    down = np.hypot(*(corners[3] - corners[0])) + np.hypot(*(corners[2] - corners[1]))
    return max(1, round(down / 2)), max(1, round(across / 2))


def frame_window(
    scan: Scan, outline: Corners, beyond_px: int = 0
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return rows and columns of a scan that a frame draws on, and as many pixels beyond."""
    corners, margin = np.asarray(outline, float), MARGIN_PX + beyond_px
    low, high = corners.min(axis=0) - margin, corners.max(axis=0) + margin
    columns = (max(0, int(np.floor(low[0]))), min(scan.width, int(np.ceil(high[0])) + 1))
    rows = (max(0, int(np.floor(low[1]))), min(scan.height, int(np.ceil(high[1])) + 1))
    return rows, columns


def light_bands(
    scan: Scan, outline: Corners, columns_first: bool = False, as_codes: bool = False
) -> Iterator[Band]:
    """Yield a frame's linear light, straightened, in bands; only its window is read.

    A band is its first row and planes (3, n, columns), good until the next one is asked for.
    `columns_first` is that of `upright`; `as_codes` gives the codes as stored instead.
    """
    size = picture_size(outline)
    way = upright(outline, (0.0, 0.0), size, (scan.height, scan.width), columns_first)
    window = way.window(*frame_window(scan, outline))
    with opened(scan) as reader:
        yield from straight_bands(ScanLines(scan, reader, way, window, as_codes), way, size)


def cut_light(scan: Scan, outline: Corners) -> Float32:
    """Return a frame's linear light (h, w, 3), straightened; only its window is read."""
    light = np.empty((*picture_size(outline), 3), np.float32)
    for top, planes in light_bands(scan, outline):
        light[top : top + planes.shape[1]] = np.moveaxis(planes, 0, 2)
    return light


def code_bands(
    scan: Scan, outline: Corners, columns_first: bool = False
) -> Iterator[NDArray[np.generic]]:
    """Yield a frame's codes as stored, straightened, (n, w, 3) in the scan's own type."""
    kind = np.dtype(np.float32 if scan.floating else np.uint8 if scan.bits <= 8 else np.uint16)
    for _, planes in light_bands(scan, outline, columns_first, as_codes=True):
        yield rounded(planes, kind)


@dataclass
class ScanLines:
    """Lines (see `resample.Lines`) of an open scan: linear light, or codes as stored.

    `window` are the rows and columns of the upright scan that may be asked for; beyond them
    their edge goes on.
    """

    scan: Scan
    reader: Reader
    way: Upright
    window: tuple[Span, Span]
    as_codes: bool = False
    channels: int = 3
    _planes: Float32 | None = field(default=None, init=False)
    _slab: Codes | None = field(default=None, init=False)
    _first: int = field(default=0, init=False)

    def planes(self, rows: Span, columns: Span) -> Float32:
        """Return planes (3, n, w) of rows and columns; rows are asked for downwards.

        They are good until the next are asked for.
        """
        inner_rows, inner_columns = (
            _inside(span, bounds) for span, bounds in zip((rows, columns), self.window, strict=True)
        )
        planes = self._room((3, rows[1] - rows[0], columns[1] - columns[0]))
        top, left = inner_rows[0] - rows[0], inner_columns[0] - columns[0]
        high, wide = (span[1] - span[0] for span in (inner_rows, inner_columns))
        whole = planes.shape[1:] == (high, wide)
        target = planes if whole else np.empty((3, high, wide), np.float32)
        self._fill(target, inner_rows, inner_columns)
        if not whole:
            down = np.clip(np.arange(planes.shape[1]) - top, 0, high - 1)
            along = np.clip(np.arange(planes.shape[2]) - left, 0, wide - 1)
            planes[:] = target[:, down[:, None], along[None, :]]
        return planes

    def _room(self, shape: tuple[int, int, int]) -> Float32:
        """Return planes to fill; the same again, if they fit, as fresh memory costs time."""
        if self._planes is None or self._planes.shape != shape:
            self._planes = np.empty(shape, np.float32)
        return self._planes

    def _fill(self, planes: Float32, rows: Span, columns: Span) -> None:
        """Fill planes from the slabs that hold the rows."""
        left = columns[0] - self.window[1][0]
        at = rows[0]
        while at < rows[1]:
            slab = self._slab_at(at)
            stop = min(rows[1], self._first + len(slab))
            lines = slab[at - self._first : stop - self._first, left : left + planes.shape[2]]
            fill_planes(self.scan, lines, planes, at - rows[0], self.as_codes)
            at = stop

    def _slab_at(self, row: int) -> Codes:
        """Return the slab that holds a row, read if need be."""
        if self._slab is not None and self._first <= row < self._first + len(self._slab):
            return self._slab
        wide = self.window[1][1] - self.window[1][0]
        stop = min(self.window[0][1], row + slab_rows(self.scan, self.way, wide))
        self._slab = None
        codes = self.reader.codes(*self.way.stored((row, stop), self.window[1]))
        self._first = row
        self._slab = self.way.view(finite(self.scan, codes))
        return self._slab


def fill_planes(
    scan: Scan, codes: Codes, planes: Float32, top: int = 0, as_codes: bool = False
) -> None:
    """Fill rows of planes (3, m, w), from `top` on, with codes (n, w, 3) of a scan.

    They become linear light, or are taken as they are.
    """
    from pipeline.render.code_kernel import looked_up_planes, scaled_planes, scaled_rows

    bits = scan.bits
    if codes.dtype.kind != "u" or codes.dtype.itemsize > 2:
        light = codes if as_codes else to_light(codes, scan.encoding)
        planes[:, top : top + len(codes)] = np.moveaxis(light, 2, 0)
    elif not as_codes and scan.encoding.kind != "linear":
        looked_up_planes(codes, light_tables(scan.encoding, bits), planes, top)
    else:
        scale = np.float32(1.0 if as_codes else 1.0 / (2**bits - 1))
        dense = dense_codes(codes)
        if dense is None:
            scaled_planes(codes, scale, planes, top)
        else:
            scaled_rows(*dense, len(codes), scale, planes, top)


def slab_rows(scan: Scan, way: Upright, columns: int) -> int:
    """Return the rows of so many columns of an upright scan that are read at a time."""
    decoded = scan.block is not None and scan.unpacked is None
    across = _DECODED_SLAB_BYTES if decoded else _ACROSS_SLAB_BYTES
    limit = across if way.across else _SLAB_BYTES
    return max(1, limit // (columns * scan.samples * max(1, scan.bits // 8)))


def _inside(span: Span, bounds: Span) -> Span:
    """Return the part of a span inside bounds, at least one pixel of them."""
    start = min(max(span[0], bounds[0]), bounds[1] - 1)
    return start, max(start + 1, min(span[1], bounds[1]))
