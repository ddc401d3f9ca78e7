"""Pieces of film in a scan: filled, parted where they are no bands, and how they lie."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Mask
from pipeline.strip.film_edge import robust_line
from pipeline.strip.film_end import parted_by_gate

_Contour = NDArray[Any]
_MOST_SKEW_DEG = 17.0
# Film that is turned by more is turned level before it is looked at.
_MOST_LEVEL_DEG = 13.0
# A strip fills the box around it, however it is turned, but for a bow, a tongue, a torn end. What
# joins it to other things is narrower than film; strips are so much of such a piece at the least.
_LEAST_FILLED_BOX = 0.7
_NECKS = (9, 17, 33, 65)
_LEAST_BAND = 0.2
_LEAST_OF_LARGEST = 0.05
_LEAST_SIDE_PX = 10
# A roll cut into single frames has 39; a texture that goes for film falls into hundreds.
_MOST_PIECES = 64
# Longer than any single frame of a strip: half a 135 frame with its gap is 19 by 34.98 mm.
_LONG_STRIP = 2.0
_OPENINGS = (3, 5, 9)
# Perforations are a tenth of 135 film (ISO 1007, from memory: 2 x 1.98 x 2.79 mm on 4.75 x 34.98).
# One of them, of a single frame's, is less than a hundredth; a table around a light has one hole.
_MOST_OPEN, _LARGEST_HOLE = 0.25, 0.05
_SAME_HEIGHT = 0.12
_BAR_OF_WIDTH, _FACING_OF_WIDTH = 0.5, 0.2
_ABREAST_SLACK = 0.06


@dataclass(frozen=True)
class FilmArea:
    """One piece of film: its filled mask (h, w) and its box, (left, top, right, bottom)."""

    mask: Mask
    box: tuple[int, int, int, int]

    @property
    def size(self) -> tuple[int, int]:
        """Return width and height of the box."""
        left, top, right, bottom = self.box
        return right - left, bottom - top


def film_areas(film: Mask, open_gate: Mask, join_across_bars: bool = True) -> list[FilmArea]:
    """Return connected pieces of film without their holes, largest first.

    Parameters
    ----------
    film
        (h, w) where a scan shows film.
    open_gate
        (h, w) where it shows open gate.
    join_across_bars
        Whether pieces in one line that only something opaque parts are one strip.
    """
    for size in _OPENINGS:
        areas, ringed = _filled(film, open_gate, size)
        if not ringed:
            break
    return _joined(areas, open_gate) if join_across_bars else areas


def _filled(film: Mask, open_gate: Mask, size: int) -> tuple[list[FilmArea], bool]:
    """Return pieces of film opened by so many pixels, and whether some enclose open gate.

    A line of light like film's, where the gate fades into a holder, may hang together with film
    and enclose the gate; it is thinner than any film.
    """
    kernel = np.ones((size, size), np.uint8)
    opened = cv2.morphologyEx(film.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    contours, tree = cv2.findContours(opened, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    parents = () if tree is None else tree[0, :, 3]
    outer = [contour for contour, parent in zip(contours, parents, strict=True) if parent < 0]
    outer.sort(key=lambda contour: (-cv2.contourArea(contour), tuple(contour[0, 0])))
    areas: list[FilmArea] = []
    ringed, largest_px = False, 0
    for at, contour in enumerate(outer):
        if cv2.contourArea(contour) < _LEAST_OF_LARGEST * largest_px or len(areas) >= _MOST_PIECES:
            break
        if not _larger(contour) or any(a.mask[_first(contour)] for a in areas):
            continue
        mask = _inside(contour, film.shape)
        least_px = _LEAST_OF_LARGEST * cv2.contourArea(contour)
        if not any(mask[_first(each)] for each in outer[at + 1 :] if _larger(each, least_px)):
            mask = parted_by_gate(mask, contour, open_gate)
        parts = cv2.findContours(mask.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
        for part in sorted(parts, key=cv2.contourArea, reverse=True):
            if not _larger(part, least_px):
                continue
            mask = _inside(part, film.shape)
            if _encloses_gate(mask, open_gate):
                ringed = True
                continue
            bands = _bands(mask, part)
            largest_px = max(largest_px, *(int(band.mask.sum()) for band in bands))
            areas += bands
    return areas, ringed


def _first(contour: _Contour) -> tuple[int, int]:
    """Return the row and column of a contour's first point."""
    x, y = contour[0, 0].tolist()
    return y, x


def _inside(contour: _Contour, shape: tuple[int, ...]) -> Mask:
    """Return a mask (h, w) of what a contour surrounds."""
    plane = np.zeros(shape, np.uint8)
    return cv2.drawContours(plane, [contour], -1, 1, cv2.FILLED).view(bool)


def _larger(contour: _Contour, least_px: float = 0.0) -> bool:
    """Tell whether a contour is no thread and surrounds so many pixels."""
    least = min(cv2.minAreaRect(contour)[1]) >= _LEAST_SIDE_PX
    return least and cv2.contourArea(contour) > least_px


def _encloses_gate(mask: Mask, open_gate: Mask) -> bool:
    """Tell whether a filled piece is a ring around open gate, rather than perforated film."""
    holes = mask & open_gate
    _, _, stats, _ = cv2.connectedComponentsWithStats(holes.astype(np.uint8), connectivity=4)
    largest = float(stats[1:, cv2.CC_STAT_AREA].max(initial=0))
    whole = float(mask.sum())
    return largest > _LARGEST_HOLE * whole or float(holes.sum()) > _MOST_OPEN * whole


def _bands(mask: Mask, contour: _Contour) -> list[FilmArea]:
    """Return a piece of film, parted at its necks where it is nothing like a strip.

    Film is a band; a clip, a finger or light at the rim of a lamp may join it to what lies around.
    """
    whole = [FilmArea(mask, _box(mask))]
    if _filled_box(mask, contour) > _LEAST_FILLED_BOX:
        return whole
    plane, least_px = mask.astype(np.uint8), _LEAST_BAND * float(mask.sum())
    for size in _NECKS:
        opened = cv2.morphologyEx(plane, cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
        pieces, bands_px = [], 0.0
        for part in cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
            if min(cv2.minAreaRect(part)[1]) < _LEAST_SIDE_PX:
                continue
            own = cv2.drawContours(np.zeros_like(plane), [part], -1, 1, cv2.FILLED).astype(bool)
            pieces.append(FilmArea(own & mask, _box(own)))
            bands_px += own.sum() if _filled_box(own, part) > _LEAST_FILLED_BOX else 0.0
        if bands_px > least_px:
            return sorted(pieces, key=lambda piece: (-int(piece.mask.sum()), piece.box))
    return whole


def _filled_box(mask: Mask, contour: _Contour) -> float:
    """Return how much of the smallest turned box around it a piece of film fills."""
    one, other = cv2.minAreaRect(contour)[1]
    return float(mask.sum()) / max(1.0, one * other)


def _ends_of_rows(mask: Mask) -> _Contour:
    """Return the first and the last pixel of each row: no other is a corner of the hull."""
    rows = np.flatnonzero(mask.any(axis=1))
    first = np.argmax(mask[rows], axis=1)
    last = mask.shape[1] - 1 - np.argmax(mask[rows, ::-1], axis=1)
    points = np.stack([first, rows, last, rows], axis=1)
    return np.asarray(points.reshape(-1, 1, 2), np.int32)


def _box(mask: Mask) -> tuple[int, int, int, int]:
    left, top, width, height = cv2.boundingRect(mask.astype(np.uint8))
    return left, top, left + width, top + height


def _joined(areas: list[FilmArea], open_gate: Mask) -> list[FilmArea]:
    """Return pieces with those made one that a bar of the holder or a dense frame parts."""
    joined: list[FilmArea] = []
    for area in areas:
        for index, other in enumerate(joined):
            if _parted_by_bar(area, other, open_gate):
                mask = area.mask | other.mask
                joined[index] = FilmArea(mask, _box(mask))
                break
        else:
            joined.append(area)
    return joined if len(joined) == len(areas) else _joined(joined, open_gate)


def _parted_by_bar(one: FilmArea, other: FilmArea, open_gate: Mask) -> bool:
    first, second = (one, other) if one.box < other.box else (other, one)
    height = min(one.size[1], other.size[1])
    left, right = first.box[2], second.box[0]
    # Film that lies aslant faces along a slanted line, and only its near ends are level.
    near = max(1, round(_FACING_OF_WIDTH * height))
    if not -near <= right - left < _BAR_OF_WIDTH * height:
        return False
    ends = first.mask[:, max(0, left - near) : left], second.mask[:, right : right + near]
    (top, bottom), (upper, lower) = (_rows_of(end) for end in ends)
    height = max(bottom - top, lower - upper)
    if max(abs(top - upper), abs(bottom - lower)) > _SAME_HEIGHT * height:
        return False
    between = open_gate[max(top, upper) : min(bottom, lower), slice(*sorted((left, right)))]
    return not between.size or float(between.mean()) < 0.1


def _rows_of(mask: Mask) -> tuple[int, int]:
    """Return the first row of a mask and the one past its last."""
    rows = np.flatnonzero(mask.any(axis=1))
    return int(rows[0]), int(rows[-1]) + 1


def runs_upright(areas: list[FilmArea]) -> bool | None:
    """Tell whether strips' long side runs down the scan; None where their shapes don't tell."""
    long = [size for size in (area.size for area in areas) if max(size) > _LONG_STRIP * min(size)]
    ways = {height > width for width, height in long}
    return ways.pop() if len(ways) == 1 else None


def slant_deg(areas: list[FilmArea]) -> float | None:
    """Return the turn of film that lies too far from both axes to be taken for level, or None.

    It is that of the longest piece that fills a box of its own, from -90 to 90 degrees, clockwise.
    """
    longest, found = _LONG_STRIP, None
    for area in areas:
        points = _ends_of_rows(area.mask)
        _, (one, other), turn = cv2.minAreaRect(points)
        long, short = max(one, other), max(1.0, min(one, other))
        if long / short > longest and _filled_box(area.mask, points) > _LEAST_FILLED_BOX:
            longest, found = long / short, turn if one > other else turn + 90.0
    if found is None:
        return None
    angle = (found + 90.0) % 180.0 - 90.0
    off_axis = min(abs(angle), 90.0 - abs(angle))
    return angle if off_axis > _MOST_LEVEL_DEG else None


def rough_line(area: FilmArea) -> tuple[float, float, float]:
    """Return slope, upper and lower level (at x = 0) of a lying piece of film."""
    left, top, right, bottom = area.box
    part = area.mask[top:bottom, left:right]
    columns = np.nonzero(part.any(axis=0))[0]
    upper = np.argmax(part[:, columns], axis=0) + top
    lower = bottom - 1 - np.argmax(part[::-1, columns], axis=0)
    x = columns.astype(float) + left
    most = float(np.tan(np.radians(_MOST_SKEW_DEG)))
    lines = []
    for y in (upper, lower):
        slope, level = robust_line(x, y.astype(float), 1.0, most)
        lines.append((slope, level, int((np.abs(y - slope * x - level) < 1.5).sum())))
    slope = max(lines, key=lambda line: line[2])[0]
    above = float(np.median(upper - slope * x))
    below = float(np.median(lower - slope * x))
    return slope, above - 0.5, below + 0.5


def split_abreast(area: FilmArea, width_px: float) -> list[FilmArea]:
    """Return a lying piece as the strips of one width that touch side by side in it.

    Parameters
    ----------
    area
        Piece of film.
    width_px
        Width of the film that may lie in it more than once.
    """
    slope, above, below = rough_line(area)
    across = (below - above) * float(np.cos(np.arctan(slope)))
    count = round(across / width_px)
    if count < 2 or abs(across / width_px - count) > _ABREAST_SLACK:
        return [area]
    y, x = np.ogrid[: area.mask.shape[0], : area.mask.shape[1]]
    place = np.floor((y - slope * x - above) * count / (below - above))
    masks = [area.mask & (np.clip(place, 0, count - 1) == index) for index in range(count)]
    return [FilmArea(mask, _box(mask)) for mask in masks]
