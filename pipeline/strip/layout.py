"""Strips of film in a scan: outline, angle, scale and kind of film."""

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from pipeline.channels import channel_mean, least, less, log_above, tint
from pipeline.kinds import Corners, Float64, Light, Mask, Triple
from pipeline.outline import corners_of
from pipeline.profile import FilmSize
from pipeline.strip.crossing import crossed_columns
from pipeline.strip.film_end import ends_of
from pipeline.strip.illumination import Levels, base_of
from pipeline.strip.level import Levelled, Piece, ends_covered, levelled_strip
from pipeline.strip.piece import film_areas, runs_upright, slant_deg, split_abreast
from pipeline.strip.scale import film_scale
from pipeline.strip.surround import Surround, over_base, surround
from pipeline.strip.view import FilmMap, StripView, angle_deg, straighten, view_by

_BASE_TOLERANCE = 0.10
_BASE_TINT_TOLERANCE = 0.05
_LEAST_BASE_SHARE = 0.004
_LIGHTER, _MOST_LIGHTER = 1.3, 0.1
_MOST_RATE = 20_000
_FLUSH_MM = 0.15
_ON_ITS_SIDE = cv2.ROTATE_90_COUNTERCLOCKWISE
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
    pixels of the strip's view, outside it where hidden. `ends_covered` tells whether the holder
    covers the film beyond what shows of it on the left and on the right.

    `way` is the map of that view of `size` rows and columns where the film doesn't lie straight,
    None where the outline tells all. `crossed` are the columns of that view between which something
    lies across the film, as other film may. `double_mm` is how far from the film its double lies
    over it, along and across, as where it lies on paper in reflected light.
    """

    outline: Corners
    angle_deg: float
    px_per_mm: float
    scale_from: str
    film: FilmSize
    whole_width: bool
    perforated: bool
    base_light: Triple
    edges_seen: tuple[bool, bool]
    film_rows: tuple[float, float]
    ends_covered: tuple[bool, bool] = (False, False)
    way: FilmMap | None = None
    size: tuple[int, int] = (0, 0)
    crossed: tuple[float, float] | None = None
    double_mm: tuple[float, float] = (0.0, 0.0)

    def view(self, light: Light) -> StripView:
        """Return the strip straightened out of its proxy (h, w, 3)."""
        if self.way is None:
            return straighten(light, self.outline, self.px_per_mm)
        return view_by(light, self.way, self.size, self.px_per_mm)


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
    given = (px_per_mm, scale_from)
    slant = slant_deg(areas)
    if slant is not None:
        return _slanted(light, around, levels, given, slant)
    upright = runs_upright(areas)
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
        light = np.asarray(cv2.rotate(light, _ON_ITS_SIDE), np.float32)
        masks = (around.film, around.gate, around.holder)
        around = Surround(
            *(cv2.rotate(mask.view(np.uint8), _ON_ITS_SIDE).view(bool) for mask in masks)
        )
    found = []
    for area in film_areas(around.film, around.gate):
        own = _own_levels(light[area.mask & around.film], levels)
        if own is not None:
            found += _strips_in(Piece(area, light, around.holder, own, given))
    found.sort(key=lambda strip: sum(y for _, y in strip.outline))
    if not upright:
        return tuple(found)
    return tuple(_stood(strip, shape[1]) for strip in found)[::-1]


def _slanted(
    light: Light,
    around: Surround,
    levels: Levels,
    given: tuple[float | None, str],
    turn_deg: float,
) -> tuple[Strip, ...]:
    """Return the strips of a scan in which film lies turned (clockwise), by the scan laid level."""
    corner = (np.array(light.shape[1::-1]) - 1) / 2
    turn = np.asarray(cv2.getRotationMatrix2D(tuple(corner.tolist()), turn_deg, 1.0), float)
    columns, rows = (np.ceil(2 * np.abs(turn[:, :2]) @ corner) + 1).astype(int).tolist()
    turn[:, 2] += (np.array([columns, rows]) - 1) / 2 - corner

    def laid(mask: Mask, beyond: int) -> Mask:
        plane, flags = mask.astype(np.uint8), cv2.INTER_NEAREST
        moved = cv2.warpAffine(plane, turn, (columns, rows), flags=flags, borderValue=beyond)
        return np.asarray(moved, bool)

    flags = cv2.INTER_LINEAR
    level = np.asarray(cv2.warpAffine(light, turn, (columns, rows), flags=flags), np.float32)
    # Beyond the scan's border is nothing to be seen.
    masks = Surround(laid(around.film, 0), laid(around.gate, 0), laid(around.holder, 1))
    back = np.asarray(cv2.invertAffineTransform(turn), float)
    found = _strips(level, masks, levels, given, False)
    return tuple(_turned_back(strip, back) for strip in found)


def _turned_back(strip: Strip, back: Float64) -> Strip:
    """Return a strip of a scan laid level as it is in the scan, by the way (2, 3) back."""
    outline = np.asarray(strip.outline) @ back[:, :2].T + back[:, 2]
    (left, right), (above, below) = outline[:2, 0], outline[:2, 1]
    along = math.degrees(math.atan2(below - above, right - left))
    way = None if strip.way is None else strip.way.then(back)
    return replace(
        strip,
        outline=corners_of(outline),
        way=way,
        angle_deg=along - math.copysign(90.0, along) if abs(along) > 45.0 else along,
    )


def _stood(strip: Strip, width: int) -> Strip:
    """Return a strip of a scan laid on its side as it is in the scan, so many columns wide."""
    outline = tuple((width - 1 - y, x) for x, y in strip.outline)
    turn = np.array([[0.0, -1.0, width - 1.0], [1.0, 0.0, 0.0]])
    way = None if strip.way is None else strip.way.then(turn)
    return replace(strip, outline=outline, way=way)


def _own_levels(readings: Light, levels: Levels) -> Levels | None:
    """Return a scan's levels with the base of one piece of film, or None if none shows in it."""
    if levels.given_spread is not None:
        return levels
    some = readings[:: max(1, len(readings) // _MOST_RATE)]
    bases = [base for base in (base_of(some, levels), levels.base_light) if base is not None]
    candidates = [replace(levels, base_light=base) for base in bases]
    shares = [float(base_mask(some, own).mean()) for own in candidates]
    # Nothing on film is lighter than its base, but for the rims of holes and reflections.
    lighter = [float((least(over_base(some, own)) > _LIGHTER).mean()) for own in candidates]
    best = max(range(len(bases)), key=lambda one: (lighter[one] < _MOST_LIGHTER, shares[one]))
    return candidates[best] if shares[best] > _LEAST_BASE_SHARE else None


def _strips_in(piece: Piece) -> list[Strip]:
    """Return the strip that a piece of film is, or those that touch side by side in it."""
    strip = _strip(piece)
    if strip is None or not strip.perforated:
        return [] if strip is None else [strip]
    parts = split_abreast(piece.area, strip.film.width_mm * strip.px_per_mm)
    if len(parts) == 1:
        return [strip]
    apart = [_strip(piece.cut_out(part)) for part in parts]
    return [found for found in apart if found is not None]


def _strip(piece: Piece) -> Strip | None:
    """Return the strip that a piece of film is, if it can be one."""
    levelled = levelled_strip(piece)
    if levelled is None:
        return None
    view, (upper, lower) = levelled.view, levelled.levels
    first, last = ends_of(levelled.mask, upper, lower)
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
    own = None if view.to_proxy.straight else view.to_proxy.moved(first, upper)
    across = crossed_columns(levelled.mask, rows)
    whole = (lower - upper) / scale.px_per_mm > scale.film.width_mm - _WHOLE_WIDTH_SLACK_MM
    return Strip(
        outline=corners_of(view.to_proxy.onto(corners)),
        angle_deg=angle_deg(view.to_proxy, (levelled.middle, (upper + lower) / 2)),
        px_per_mm=scale.px_per_mm,
        scale_from=scale.scale_from,
        film=scale.film,
        whole_width=whole,
        perforated=perforations is not None,
        base_light=piece.levels.base_light,
        edges_seen=seen,
        film_rows=(rows[0] - upper, rows[1] - upper),
        ends_covered=ends_covered(levelled, piece, (first, last)),
        way=own,
        size=(max(2, round(lower - upper) + 1), max(2, round(last - first) + 1)),
        crossed=across and (across[0] - first, across[1] - first),
        double_mm=(0.0, 0.0) if perforations is None else perforations.double_mm(whole),
    )


def _film_rows(
    levelled: Levelled, seen: tuple[bool, bool], film: FilmSize, px_per_mm: float
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


def _edge_from_holes(levelled: Levelled, on_bottom: bool, px_per_mm: float) -> float | None:
    """Return the row of a film edge as the perforations along it tell, or None."""
    for row in levelled.perforations.rows if levelled.perforations else ():
        if row.on_bottom == on_bottom:
            line = row.slope * levelled.middle + row.level
            return line + (1 if on_bottom else -1) * row.from_edge_mm * px_per_mm
    return None
