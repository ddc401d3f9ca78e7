"""Dust of one frame, found in tiles of its window: the pixels to be mended, and their light."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from pipeline.dust import (
    CrossTalk,
    Overlay,
    Square,
    details,
    dust_of,
    infrared_density,
    laid_over,
    mended_places,
    seen_of,
    square_of,
    tone_exponent,
)
from pipeline.kinds import MM_PER_INCH, Codes, Light, Span, Whole
from pipeline.render.cut import fill_planes
from pipeline.render.upright import Upright
from pipeline.scan import Scan, infrared_light
from pipeline.strip import FrameBase

# A tile at a time, so that memory doesn't grow with the picture; each with some of its
# neighbours, so that dust on the seam is seen whole.
_TILE_PX = 768
_OVERLAP_PX = 48
# How the planes lie over each other is told by so many squares of a frame, spread over it.
_SQUARE_PX, _MOST_SQUARES, _REDUCED = 256, 12, 4

Box = tuple[slice, slice]


@dataclass(frozen=True)
class Part:
    """What some rows and columns of a scan hold, at a box in them.

    `light` gives planes (3, h, w) of linear light, `infrared` density (h, w).
    """

    light: Callable[[Box], Light]
    infrared: Callable[[Box], Light]


Read = Callable[[Span, Span], Part]


@dataclass(frozen=True)
class DustyWindow:
    """Rows and columns of a scan with a frame in them, and what is known of its dust.

    `base` is the film's base over the frame, `talk` what of the pictures shows in the infra-red.
    """

    rows: Span
    columns: Span
    base: FrameBase
    talk: CrossTalk
    ppi: float

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Return where a point, column of the window and row of the scan, lies from -1 to 1."""
        (top, bottom), (left, right) = self.rows, self.columns
        return 2 * x / (right - left) - 1, 2 * (y - top) / (bottom - top) - 1


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

    def within(self, rows: Span, columns: Span) -> "Patches":
        """Return the patches on some rows and columns, at their places in these."""
        first, last = np.searchsorted(self.rows, rows)
        down, along = self.rows[first:last] - rows[0], self.columns[first:last] - columns[0]
        inside = (along >= 0) & (along < columns[1] - columns[0])
        return Patches(down[inside], along[inside], self.light[first:last][inside])


def part_of(scan: Scan, codes: Codes, plane: Codes) -> Part:
    """Return how codes (h, w, 3) of a scan and its infra-red plane (h, w) become densities."""

    def light(box: Box) -> Light:
        part = codes[box]
        planes = np.empty((3, *part.shape[:2]), np.float32)
        fill_planes(scan, part, planes)
        return planes

    exponent = tone_exponent(scan.encoding)

    def infrared(box: Box) -> Light:
        part = plane[box]
        if part.dtype.name not in ("uint8", "uint16"):
            return infrared_density(infrared_light(scan, part), exponent)
        return infrared_density(part, exponent, 2**scan.infrared_bits - 1)

    return Part(light, infrared)


def find_patches(read: Read, window: DustyWindow) -> Patches:
    """Return the mended pixels of a window, at their places in the scan.

    `read` gives what the rows and columns of a scan hold.
    """
    squares: list[Square] = []
    for rows, _ in _cut(window.rows):
        squares += _squares(read, rows, window)
    placed = laid_over(squares)
    found = [tile for rows in _cut(window.rows) for tile in _tiles(read, window, rows, placed)]
    down, along, light = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return Patches(down, along, light)


def _tiles(
    read: Read, window: DustyWindow, rows: tuple[Span, Span], placed: Overlay
) -> list[tuple[Whole, Whole, Light]]:
    """Return what is mended in the tiles of some rows, whose codes are given back at the end."""
    alone, wide = rows
    part = read(wide, window.columns)
    return [
        _patches_of_tile(part, window, (alone, columns), (wide, broad), placed)
        for columns, broad in _cut(window.columns)
    ]


def _cut(whole: Span) -> Iterator[tuple[Span, Span]]:
    """Yield parts of rows or columns, all nearly alike, each alone and with some of the next."""
    start, stop = whole
    edges = np.linspace(start, stop, -(-(stop - start) // _TILE_PX) + 1).round().astype(int)
    for first, last in pairwise(edges.tolist()):
        yield (first, last), (max(start, first - _OVERLAP_PX), min(stop, last + _OVERLAP_PX))


def _squares(read: Read, rows: Span, window: DustyWindow) -> list[Square]:
    """Return squares along the middle of a few rows with the most detail in the infra-red.

    Detail is looked for in a smaller plane: noise tells nothing.
    """
    (left, right), many = window.columns, rows[1] - rows[0]
    side = min(_SQUARE_PX, many, right - left)
    top = rows[0] + (many - side) // 2
    part = read((top, top + side), window.columns)
    plane = part.infrared((slice(0, side), slice(0, right - left)))
    small = (max(1, plane.shape[1] // _REDUCED), max(1, side // _REDUCED))
    detail = details(np.asarray(cv2.resize(plane, small, interpolation=cv2.INTER_AREA), np.float32))
    cells = max(1, plane.shape[1] // side)
    power = cv2.resize(np.square(detail), (cells, 1), interpolation=cv2.INTER_AREA)[0]
    bands = max(1, -(-(window.rows[1] - window.rows[0]) // _TILE_PX))
    count = min(cells, max(1, round(_MOST_SQUARES / bands)))
    chosen = []
    for first, last in pairwise(np.linspace(0, cells, count + 1).round().astype(int).tolist()):
        cell = first + int(np.argmax(power[first:last]))
        along = min(cell * plane.shape[1] // cells, plane.shape[1] - side)
        box = slice(0, side), slice(along, along + side)
        seen = seen_of(part.light(box), window.base.illumination.dark, window.talk)
        infrared, density = (np.ascontiguousarray(each) for each in (plane[box], seen.density))
        place = window.place(along + side / 2, top + side / 2)
        chosen.append(square_of(infrared, density, window.talk, place))
    return chosen


def _patches_of_tile(
    part: Part,
    window: DustyWindow,
    tile: tuple[Span, Span],
    wide: tuple[Span, Span],
    placed: Overlay,
) -> tuple[Whole, Whole, Light]:
    """Return rows, columns and light of a tile's mended pixels; `wide` takes in its neighbours."""
    (top, bottom), (left, right) = wide
    from_left = window.columns[0]
    box = slice(0, bottom - top), slice(left - from_left, right - from_left)
    dark = window.base.illumination.dark
    seen = seen_of(part.light(box), dark, window.talk)
    red, green, blue = (-channel[0] for channel in window.base.terms)
    dust = dust_of(
        seen,
        part.infrared(box),
        window.talk,
        placed.shift_at(window.place((left + right) / 2 - from_left, (top + bottom) / 2)),
        placed.focus_px,
        base=(red, green, blue),
        px_per_mm=window.ppi / MM_PER_INCH,
    )
    anew = mended_places(seen, dust, dark)
    down, along = dust.places()
    rows, columns = down + top, along + left
    own = (rows >= tile[0][0]) & (rows < tile[0][1])
    own &= (columns >= tile[1][0]) & (columns < tile[1][1])
    return rows[own], columns[own], anew[own]
