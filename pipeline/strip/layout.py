"""Strips of film in a scan: outline, angle, scale and kind of film."""

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from pipeline.channels import channel_mean, less, log_above, tint
from pipeline.kinds import Corners, Float64, Light, Mask, Triple
from pipeline.outline import corners_of
from pipeline.profile import FilmSize, film_sizes
from pipeline.strip.base import StripView, place, straighten
from pipeline.strip.film_edge import EdgeLine, find_edges, picture_slope
from pipeline.strip.illumination import Levels, base_of
from pipeline.strip.scale import Perforations, film_scale, find_perforations
from pipeline.strip.surround import (
    FilmArea,
    Surround,
    film_areas,
    open_share,
    over_base,
    rough_line,
    runs_upright,
    split_abreast,
    surround,
)

_BASE_TOLERANCE = 0.10
_BASE_TINT_TOLERANCE = 0.05
_LEAST_BASE_SHARE = 0.004
_MOST_RATE = 20_000
_MARGIN_OF_WIDTH = 0.1
_PASSES = 3
_MOST_SLOPE = 0.06
_MOST_HELD_SLOPE = 0.012
_SHOWN_MM = 25.0
_FLUSH_MM = 0.15
_MISPLACED_MM = 0.4
_WHOLE_WIDTH_SLACK_MM = 0.8


@dataclass(frozen=True)
class Strip:
    """One strip of film in a proxy; all coordinates are proxy pixels, (0, 0) a pixel's centre.

    `outline` runs top-left, top-right, bottom-right, bottom-left around what shows of the strip,
    with the film's long side left to right; `angle_deg` is the turn of that side against the
    proxy's nearer axis, clockwise positive; `film` is the kind of film and `base_light` the
    light of its base; `whole_width` tells that the film shows from edge to edge.

    `edges_seen` tells whether the film's top and bottom edges are in view, rather than under
    the holder or cut off by the scan's border; `film_rows` are the rows of these edges in the
    pixels of the view that `straighten` makes of the outline, outside it where hidden.
    """

    outline: Corners
    angle_deg: float
    vertical: bool
    px_per_mm: float
    scale_from: str
    film: FilmSize
    whole_width: bool
    perforated: bool
    base_light: Triple
    edges_seen: tuple[bool, bool]
    film_rows: tuple[float, float]


@dataclass(frozen=True)
class _Piece:
    """A piece of film in its scan: area, light (h, w, 3), where holder is, its own levels.

    `given` is the scale by tag or user, and which of them gave it.
    """

    area: FilmArea
    light: Light
    holder: Mask
    levels: Levels
    given: tuple[float | None, str]


@dataclass(frozen=True)
class _Levelled:
    """A strip's surroundings turned level, and what was measured there."""

    view: StripView
    mask: Mask
    edges: tuple[EdgeLine, EdgeLine]
    perforations: Perforations | None

    @property
    def middle(self) -> float:
        """Return the column in the middle of the view."""
        return float(self.view.light.shape[1] - 1) / 2

    @property
    def levels(self) -> tuple[float, float]:
        """Return the rows at which what shows of the strip begins and ends, at its middle."""
        return self.edges[0].at(self.middle), self.edges[1].at(self.middle)


def base_mask(light: Light, levels: Levels) -> Mask:
    """Return where light (..., 3) is like that of the film base, bool (...)."""
    dark = np.asarray(levels.illumination.dark, np.float32)
    base = np.log10(np.asarray(levels.base_light, np.float32) - dark)
    off = less(log_above(light, dark, 1e-6), base)
    mean = channel_mean(off)
    like: Mask = (np.abs(mean) < _BASE_TOLERANCE) & (tint(off, mean) < _BASE_TINT_TOLERANCE)
    return like


def find_strips(
    light: Light, levels: Levels, px_per_mm: float | None, scale_from: str = "tag"
) -> tuple[Strip, ...]:
    """Return the strips of film in a proxy, top to bottom (left to right if they stand upright).

    Parameters
    ----------
    light
        Proxy (h, w, 3), linear light as under an even lamp.
    levels
        Its gate, dark level and base.
    px_per_mm
        Pixels a millimetre in the proxy where the scan's tags or the user tell, else None; a
        tag is not used if perforations or the strip's width belie it.
    scale_from
        'tag' or 'option', whichever `px_per_mm` comes from.
    """
    around = surround(light, levels)
    areas = film_areas(around.film, around.gate, join_across_bars=False)
    if not areas:
        return ()
    upright = runs_upright(areas)
    given = (px_per_mm, scale_from)
    if upright is not None:
        return _strips(light, around, levels, given, upright)
    ways = [_strips(light, around, levels, given, way) for way in (False, True)]
    return max(ways, key=_plausibility)


def _plausibility(strips: tuple[Strip, ...]) -> tuple[float, ...]:
    """Rank strips found one way round against those of the other way."""
    if not strips:
        return (0.0, 0.0, 0.0)
    certain = [all(strip.edges_seen) and strip.scale_from != "guess" for strip in strips]
    sides = [np.hypot(*np.diff(np.array(strip.outline)[[3, 0, 1]], axis=0).T) for strip in strips]
    stretch = [math.log(along / across) for across, along in sides]
    perforated = [strip.perforated for strip in strips]
    return float(np.mean(perforated)), float(np.mean(certain)), float(np.mean(stretch))


def _strips(
    light: Light, around: Surround, levels: Levels, given: tuple[float | None, str], upright: bool
) -> tuple[Strip, ...]:
    """Return the strips that lie along one axis of the scan."""
    shape = light.shape[:2]
    if upright:
        # On its side: the scan's top to the left, its left at the bottom.
        light = np.ascontiguousarray(np.rot90(light))
        masks = (around.film, around.gate, around.holder)
        around = Surround(*(np.ascontiguousarray(np.rot90(mask)) for mask in masks))
    found = []
    for area in film_areas(around.film, around.gate):
        own = _own_levels(light[area.mask & around.film], levels)
        if own is not None:
            found += _strips_in(_Piece(area, light, around.holder, own, given))
    found.sort(key=lambda strip: sum(y for _, y in strip.outline))
    if not upright:
        return tuple(found)
    outlines = [tuple((shape[1] - 1 - y, x) for x, y in strip.outline) for strip in found]
    stood = zip(found, outlines, strict=True)
    return tuple(replace(strip, outline=box, vertical=True) for strip, box in stood)[::-1]


def _own_levels(readings: Light, levels: Levels) -> Levels | None:
    """Return a scan's levels with the base of one piece of film, or None if none shows in it."""
    some = readings[:: max(1, len(readings) // _MOST_RATE)]
    bases = [base for base in (base_of(some, levels), levels.base_light) if base is not None]
    candidates = [replace(levels, base_light=base) for base in bases]
    shares = [float(base_mask(some, own).mean()) for own in candidates]
    best = max(range(len(bases)), key=shares.__getitem__)
    return candidates[best] if shares[best] > _LEAST_BASE_SHARE else None


def _strips_in(piece: _Piece) -> list[Strip]:
    """Return the strip that a piece of film is, or those that touch side by side in it."""
    strip = _strip(piece)
    if strip is None or not strip.perforated:
        return [] if strip is None else [strip]
    parts = split_abreast(piece.area, strip.film.width_mm * strip.px_per_mm)
    if len(parts) == 1:
        return [strip]
    apart = [_strip(replace(piece, area=part)) for part in parts]
    return [found for found in apart if found is not None]


def _strip(piece: _Piece) -> Strip | None:
    """Return the strip that a piece of film is, if it can be one."""
    levelled = _level(piece)
    if levelled is None:
        return None
    view, (upper, lower) = levelled.view, levelled.levels
    first, last = _ends(levelled.mask, upper, lower)
    if lower - upper < 8 or last - first < 8:
        return None
    seen = (levelled.edges[0].against_gate, levelled.edges[1].against_gate)
    perforations = levelled.perforations
    pitch = None if perforations is None else perforations.pitch_px
    scale = film_scale(*piece.given, lower - upper, last - first, all(seen), pitch)
    if scale is None:
        return None
    film_mm = scale.px_per_mm if pitch is None else pitch / (scale.film.perforation_pitch_mm or 1)
    seen, rows = _film_rows(levelled, seen, scale.film, film_mm)
    corners = np.array([[first, upper], [last, upper], [last, lower], [first, lower]])
    turn = view.to_proxy
    whole = (lower - upper) / scale.px_per_mm > scale.film.width_mm - _WHOLE_WIDTH_SLACK_MM
    return Strip(
        outline=corners_of(place(corners, turn)),
        angle_deg=math.degrees(math.atan2(turn[1][0], turn[0][0])),
        vertical=False,
        px_per_mm=scale.px_per_mm,
        scale_from=scale.scale_from,
        film=scale.film,
        whole_width=whole,
        perforated=perforations is not None,
        base_light=piece.levels.base_light,
        edges_seen=seen,
        film_rows=(rows[0] - upper, rows[1] - upper),
    )


def _level(piece: _Piece) -> _Levelled | None:
    """Return a strip turned level, its angle measured anew in each view of it."""
    slope, above, below = rough_line(piece.area)
    angle = math.atan(slope)
    left, _, right, _ = piece.area.box
    centre_x = (left + right - 1) / 2
    centre = np.array([centre_x, slope * centre_x + (above + below) / 2])
    half = np.array([(right - left) / 2 / math.cos(angle), (below - above) / 2 * math.cos(angle)])
    margin = max(6.0, _MARGIN_OF_WIDTH * 2 * half[1])
    half = half + margin
    found = None
    for _ in range(_PASSES):
        found = _measured(piece, angle, centre, half)
        if found is None:
            return None
        slope = _common_slope(found, piece.levels)
        upper, lower = found.levels
        middle = np.array([[found.middle, (upper + lower) / 2]])
        centre = place(middle, found.view.to_proxy)[0]
        half[1] = (lower - upper) / 2 + margin
        angle += math.atan(slope)
        if abs(slope) < 1e-5:
            break
    return _measured(piece, angle, centre, half)


def _measured(piece: _Piece, angle: float, centre: Float64, half: Float64) -> _Levelled | None:
    """Return edges and perforations in a view turned by an angle (radians)."""
    along = half[0] * np.array([math.cos(angle), math.sin(angle)])
    across = half[1] * np.array([-math.sin(angle), math.cos(angle)])
    left, right = centre - along, centre + along
    corners = np.array([left - across, right - across, right + across, left + across])
    view = straighten(piece.light, corners_of(corners), 1.0)
    mask = _placed(piece.area.mask, view)
    valid = _placed(np.ones(piece.holder.shape, bool), view)
    share = open_share(view.light, piece.levels)
    hidden = ~valid
    if piece.holder.any():
        hidden |= _placed(piece.holder, view)
    share[hidden] = 0.0
    narrow = film_sizes()["135"]
    height = 2 * half[1] / (1 + _MARGIN_OF_WIDTH * 2)
    edges = find_edges(view.light, mask, valid, share, height / narrow.width_mm, _MOST_SLOPE)
    if edges is None:
        return None
    holes = find_perforations(share, narrow, edges)
    return _Levelled(view, mask, edges, holes)


def _placed(mask: Mask, view: StripView) -> Mask:
    """Return a mask of the proxy in the pixels of a view; false outside the proxy."""
    moved = view.of(mask.astype(np.float32), cv2.INTER_LINEAR, cv2.BORDER_CONSTANT)
    inside: Mask = moved > 0.5
    return inside


def _common_slope(found: _Levelled, levels: Levels) -> float:
    """Return the slope of the film in a view: of its own edges and its perforations.

    Where none of them shows, the pictures' borders tell how the film lies, else the holder's
    edges, the flatter one first.
    """
    slopes = [edge.slope for edge in found.edges if edge.against_gate]
    if found.perforations is not None:
        slopes += [row.slope for row in found.perforations.rows if row.count > 5 or not slopes]
    if slopes:
        return float(np.median(slopes))
    upper, lower = found.levels
    inset = 2 + max(abs(edge.slope) for edge in found.edges) * found.middle
    rows = slice(math.ceil(upper + inset), max(math.floor(lower - inset), 0))
    first, last = (round(end) for end in _ends(found.mask, upper, lower))
    part = found.view.light[rows, first + 3 : last - 2]
    if min(part.shape[:2]) > 20:
        density = -channel_mean(np.log10(np.maximum(over_base(part, levels), np.float32(1e-4))))
        slope = picture_slope(density, (lower - upper) / _SHOWN_MM, _MOST_HELD_SLOPE)
        if slope is not None:
            return slope
    return min((edge.slope for edge in found.edges), key=abs)


def _ends(mask: Mask, upper: float, lower: float) -> tuple[float, float]:
    """Return the columns between which film lies, to a part of a pixel."""
    rim = 0.1 * (lower - upper)
    rows = slice(max(0, round(upper + rim)), max(1, round(lower - rim)))
    share = mask[rows].mean(axis=0)
    inside = np.nonzero(share > 0.5)[0]
    if not len(inside):
        return 0.0, 0.0
    first, last = int(inside[0]), int(inside[-1])
    before = float(share[first - 1]) if first > 0 else 0.0
    after = float(share[last + 1]) if last + 1 < len(share) else 0.0
    start = first - (share[first] - 0.5) / (share[first] - before)
    end = last + (share[last] - 0.5) / (share[last] - after)
    return float(start), float(end)


def _film_rows(
    levelled: _Levelled, seen: tuple[bool, bool], film: FilmSize, px_per_mm: float
) -> tuple[tuple[bool, bool], tuple[float, float]]:
    """Return which film edges are in view, and the rows of both in the levelled view."""
    upper, lower = levelled.levels
    if abs((lower - upper) / px_per_mm - film.width_mm) > _WHOLE_WIDTH_SLACK_MM and all(seen):
        # Film of no such width: a holder as light as the gate covers it.
        seen = (False, False)
    rows: list[float | None] = []
    in_view: list[bool] = []
    for on_bottom, row in enumerate(levelled.levels):
        by_holes = _edge_from_holes(levelled, bool(on_bottom), px_per_mm)
        shows = seen[on_bottom]
        if by_holes is not None:
            shows = abs(by_holes - row) / px_per_mm < (_MISPLACED_MM if shows else _FLUSH_MM)
        in_view.append(shows)
        rows.append(row if shows else by_holes)
    width = film.width_mm * px_per_mm
    top, bottom = rows
    if top is None:
        top = (upper + lower) / 2 - width / 2 if bottom is None else bottom - width
    return (in_view[0], in_view[1]), (top, top + width if bottom is None else bottom)


def _edge_from_holes(levelled: _Levelled, on_bottom: bool, px_per_mm: float) -> float | None:
    """Return the row of a film edge as the perforations along it tell, or None."""
    for row in levelled.perforations.rows if levelled.perforations else ():
        if row.on_bottom == on_bottom:
            line = row.slope * levelled.middle + row.level
            return line + (1 if on_bottom else -1) * row.from_edge_mm * px_per_mm
    return None
