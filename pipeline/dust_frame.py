"""Dust of one frame: found in tiles of its window, mended while the frame is straightened."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.dust import density_of, find_dust, mended
from pipeline.encoding import Light
from pipeline.infrared import CrossTalk, infrared_density, tone_exponent
from pipeline.layout import MM_PER_INCH
from pipeline.render import FrameBase, frame_window, picture_size
from pipeline.resample import Corners, Span, Upright, straight_bands, upright
from pipeline.scan import Scan, light_of_both, opened
from pipeline.scan_lines import ScanLines

Whole = NDArray[np.int64]
Read = Callable[[Span, Span], tuple[Light, Light]]

# A tile at a time, so that memory doesn't grow with the picture; each with some of its
# neighbours, so that dust on the seam is seen whole.
_TILE_PX = 1024
_OVERLAP_PX = 64
# Dust at the border of a picture is filled from outside as well.
_BEYOND_PX = 8
_NEGLIGIBLE = 1e-3


@dataclass(frozen=True)
class Patches:
    """Mended pixels: their rows and columns (n,), by rows, and their light (n, 3)."""

    rows: Whole
    columns: Whole
    light: Light

    def upright(self, way: Upright) -> "Patches":
        """Return the patches at their places on upright pixels."""
        rows, columns = (self.columns, self.rows) if way.across else (self.rows, self.columns)
        if way.flip_rows:
            rows = way.height - 1 - rows
        if way.flip_columns:
            columns = way.width - 1 - columns
        order = np.argsort(rows, kind="stable")
        return Patches(rows[order], columns[order], self.light[order])


@dataclass
class MendedLines:
    """Lines of a scan as it is, as it is mended, and where: planes 0 to 2, 3 to 5, and 6."""

    lines: ScanLines
    patches: Patches
    channels: int = 7

    def planes(self, rows: Span, columns: Span) -> Light:
        """Return planes (7, n, w) of rows and columns."""
        light = self.lines.planes(rows, columns)
        planes = np.concatenate([light, light, np.zeros_like(light[:1])])
        first, last = np.searchsorted(self.patches.rows, rows)
        down, along = self.patches.rows[first:last] - rows[0], self.patches.columns[first:last]
        inside = (along >= columns[0]) & (along < columns[1])
        down, along = down[inside], along[inside] - columns[0]
        planes[3:6, down, along] = self.patches.light[first:last][inside].T
        planes[6, down, along] = 1.0
        return planes


def mended_bands(
    scan: Scan, outline: Corners, base: FrameBase, talk: CrossTalk, ppi: float
) -> Iterator[tuple[int, Light, NDArray[np.uint8]]]:
    """Yield a frame's linear light, mended and straightened, in bands.

    Parameters
    ----------
    scan, outline
        A scan with an infra-red plane, and the frame's corners in it.
    base
        Film base over the frame.
    talk
        What of the strip's pictures shows in the infra-red.
    ppi
        Pixels per inch of film.

    Yields
    ------
    The band's first row, planes (3, n, columns) good until the next band is asked for, and a mask
    (n, columns), 255 where any of a pixel comes from a mended place; outside it light is bit for
    bit what it is without mending.
    """
    size = picture_size(outline)
    way = upright(outline, (0.0, 0.0), size, (scan.height, scan.width))
    with opened(scan) as reader:

        def read(rows: Span, columns: Span) -> tuple[Light, Light]:
            return light_of_both(scan, reader, rows, columns)

        window = frame_window(scan, outline, _BEYOND_PX)
        patches = find_patches(read, window, base, talk, tone_exponent(scan.encoding), ppi)
        lines = ScanLines(scan, reader, way, way.window(*window))
        if not len(patches.rows):
            for top, planes in straight_bands(lines, way, size):
                yield top, planes, np.zeros(planes.shape[1:], np.uint8)
            return
        both = MendedLines(lines, patches.upright(way))
        for top, planes in straight_bands(both, way, size):
            touched = np.abs(planes[6]) > _NEGLIGIBLE
            # The far taps of resampling would carry what was mended into clean pixels round about.
            light = np.where(touched, planes[3:6], planes[:3])
            yield top, light, np.where(touched, np.uint8(255), np.uint8(0))


def cut_mended(
    scan: Scan, outline: Corners, base: FrameBase, talk: CrossTalk, ppi: float
) -> tuple[Light, NDArray[np.uint8]]:
    """Return what `mended_bands` yields as one picture (h, w, 3) and one mask (h, w)."""
    size = picture_size(outline)
    light, mask = np.empty((*size, 3), np.float32), np.empty(size, np.uint8)
    for top, planes, touched in mended_bands(scan, outline, base, talk, ppi):
        rows = slice(top, top + len(touched))
        light[rows], mask[rows] = np.moveaxis(planes, 0, 2), touched
    return light, mask


def find_patches(
    read: Read,
    window: tuple[Span, Span],
    base: FrameBase,
    talk: CrossTalk,
    exponent: float,
    ppi: float,
) -> Patches:
    """Return the mended pixels of a window, at their places in the scan.

    `read` gives light (h, w, 3) and infra-red (h, w), codes 0 to 1, of rows and columns; the
    codes become light by `exponent`.
    """
    found = [
        _patches_of_tile(read, window, tile, base, talk, exponent, ppi) for tile in _tiles(window)
    ]
    rows, columns, light = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return Patches(rows, columns, light)


def _tiles(window: tuple[Span, Span]) -> Iterator[tuple[Span, Span]]:
    """Yield the tiles of a window, all nearly alike in size."""
    parts = []
    for start, stop in window:
        count = -(-(stop - start) // _TILE_PX)
        edges = np.linspace(start, stop, count + 1).round().astype(int).tolist()
        parts.append(list(pairwise(edges)))
    yield from ((rows, columns) for rows in parts[0] for columns in parts[1])


def _patches_of_tile(
    read: Read,
    window: tuple[Span, Span],
    tile: tuple[Span, Span],
    base: FrameBase,
    talk: CrossTalk,
    exponent: float,
    ppi: float,
) -> tuple[Whole, Whole, Light]:
    rows, columns = (
        (max(whole[0], part[0] - _OVERLAP_PX), min(whole[1], part[1] + _OVERLAP_PX))
        for whole, part in zip(window, tile, strict=True)
    )
    light, infrared = read(rows, columns)
    dark = base.illumination.dark
    density = density_of(light, dark)
    red, green, blue = (-channel[0] for channel in base.terms)
    dust = find_dust(
        density,
        infrared_density(infrared, exponent),
        talk,
        base=(red, green, blue),
        px_per_mm=ppi / MM_PER_INCH,
    )
    own = np.zeros_like(dust.mask)
    (top, bottom), (left, right) = tile
    own[top - rows[0] : bottom - rows[0], left - columns[0] : right - columns[0]] = True
    down, along = np.nonzero(dust.mask & own)
    if not len(down):
        return down, along, np.zeros((0, 3), np.float32)
    anew = mended(light, density, dust, dark)[down, along]
    return down + rows[0], along + columns[0], anew
