"""A piece of film laid level: turned and, where it isn't straight, straightened."""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np

from pipeline.channels import channel_mean
from pipeline.kinds import Float64, Light, Mask
from pipeline.outline import corners_of
from pipeline.profile import film_sizes
from pipeline.strip.base import density_above, measure_base
from pipeline.strip.bend import find_bend
from pipeline.strip.density import measure_limits
from pipeline.strip.film_edge import EdgeLine, find_edges
from pipeline.strip.film_end import ends_of, less_narrow_ends
from pipeline.strip.film_line import CrossLine, FilmLine, curve_through, in_stretches
from pipeline.strip.illumination import Levels
from pipeline.strip.perforation import Perforations, find_perforations
from pipeline.strip.picture_border import picture_bars, picture_slope
from pipeline.strip.piece import FilmArea, rough_line
from pipeline.strip.surround import OPEN, brightest_of, open_share, over_base
from pipeline.strip.view import FilmMap, StripView, straighten, view_by

_MARGIN_OF_WIDTH = 0.1
_PASSES = 3
_MOST_SLOPE = 0.06
_MOST_HELD_SLOPE = 0.012
_SHOWN_MM = 25.0
_BEND_PASSES = 3
_LEAST_PART_PX = 20
# Film across which a view shows no less is none.
_LEAST_ACROSS_PX = 8.0
_LEAST_OF_EDGE = 0.25
_EDGE_TOLERANCE_MM = 0.1
# How well a perforation's place is seen.
_HOLE_SIGMA_PX, _HOLE_SIGMA_MM = 0.15, 0.02
# Beyond the film's own end light shows within so many pixels.
_BEYOND_PX = 6


@dataclass(frozen=True)
class Piece:
    """A piece of film in its scan: area, light (h, w, 3), where holder is, its own levels.

    `given` is the scale by tag or user, and which of them gave it.
    """

    area: FilmArea
    light: Light
    holder: Mask
    levels: Levels
    given: tuple[float | None, str]

    @cached_property
    def planes(self) -> Light:
        """Return as 0 and 1 where the area, the scan and holder are (h, w, 3), to be turned."""
        every = np.ones(self.holder.shape, bool)
        return np.stack([self.area.mask, every, self.holder], axis=-1).astype(np.float32)

    def cut_out(self, part: FilmArea) -> "Piece":
        """Return a part of the piece, with open gate where the rest of it lies."""
        rest = (self.area.mask & ~part.mask)[..., None]
        return replace(self, area=part, light=np.where(rest, brightest_of(self.levels), self.light))


@dataclass(frozen=True)
class Levelled:
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


def levelled_strip(piece: Piece) -> Levelled | None:
    """Return a strip turned level and, where it isn't straight, straightened."""
    found = _turned_level(piece)
    if found is None:
        return None
    for _ in range(_BEND_PASSES):
        lines, px_per_mm = _lines(found)
        bars = _bars(found, piece.levels, px_per_mm)
        way = find_bend(lines, bars, found.view.to_proxy, px_per_mm, piece.holder.shape)
        along = None if way is None else _view_along(piece, found, way)
        bent = None if along is None else _measured(piece, along)
        if bent is None:
            break
        found = bent
    return found


def _view_along(piece: Piece, found: Levelled, way: FilmMap) -> StripView | None:
    """Return the view that a map gives of a strip, with some of its surround.

    None where it turns the film over, or makes it as large as no camera does.
    """
    upper, lower = found.levels
    right = found.view.light.shape[1] - 1.0
    ends = np.array([[x, y] for x in (0.0, right) for y in (upper, lower)])
    middle = np.array([[found.middle, upper], [found.middle, lower]])
    columns = way.back(found.view.to_proxy.onto(ends))[:, 0]
    top, bottom = way.back(found.view.to_proxy.onto(middle))[:, 1]
    margin = max(6.0, _MARGIN_OF_WIDTH * (bottom - top))
    first, last = float(columns.min()), float(columns.max())
    height, width = found.view.light.shape[:2]
    if not (_LEAST_ACROSS_PX <= bottom - top <= 2 * height and last - first <= 2 * width):
        return None
    size = (round(bottom - top + 2 * margin) + 1, round(last - first) + 1)
    return view_by(piece.light, way.moved(first, top - margin), size, 1.0)


def _lines(found: Levelled) -> tuple[list[FilmLine], float]:
    """Return what lies straight along the film in a view, and the view's scale, roughly."""
    holes = found.perforations
    film = film_sizes()["120" if holes is None else "135"]
    upper, lower = found.levels
    pitch_mm = film.perforation_pitch_mm or 1.0
    px_per_mm = (lower - upper) / film.width_mm if holes is None else holes.pitch_px / pitch_mm
    lines, trim_mm = [], float(measure_limits("bend")["trim_mm"])
    for edge, across in zip(found.edges, (0.0, film.width_mm), strict=True):
        x, y = edge.points.T
        near = curve_through(x, y, max(0.5, _EDGE_TOLERANCE_MM * px_per_mm))
        if near.sum() > _LEAST_OF_EDGE * found.view.light.shape[1]:
            points, sigma = in_stretches(x[near], y[near])
            lines.append(FilmLine(points, across, 0.0 if holes is None else trim_mm, sigma))
    for row in () if holes is None else holes.rows:
        across = film.width_mm - row.from_edge_mm if row.on_bottom else row.from_edge_mm
        sigma = max(_HOLE_SIGMA_PX, _HOLE_SIGMA_MM * px_per_mm)
        lines.append(FilmLine(row.points, across, 0.0, sigma, row.steps, pitch_mm))
    return lines, px_per_mm


def _bars(found: Levelled, levels: Levels, px_per_mm: float) -> list[CrossLine]:
    """Return the borders of pictures across the film, where perforations don't tell as much."""
    if found.perforations is not None and len(found.perforations.rows) == 2:
        return []
    first, last = (round(end) for end in ends_of(found.mask, *found.levels))
    upper, lower = found.levels
    rows = slice(max(0, math.ceil(upper + 2)), max(0, math.floor(lower - 2)))
    part = found.view.light[rows, max(0, first + 3) : max(0, last - 2)]
    if min(part.shape[:2]) < _LEAST_PART_PX:
        return []
    # The light over the strip is smooth: every other pixel tells it.
    some = np.ascontiguousarray(part[::2, ::2])
    base = measure_base(some, levels.illumination, levels.base_light, px_per_mm / 2)
    if base is None:
        return []
    density = channel_mean(density_above(part, base))
    ends = np.array([0.0, part.shape[0] - 1.0])
    lines, scatter = [], float(measure_limits("bend")["gate_scatter"])
    for bar in picture_bars(density, px_per_mm, _MOST_SLOPE):
        columns = bar.slope * ends + bar.level
        sigma = max(bar.sigma, scatter) * (ends[1] - ends[0])
        points = np.column_stack([columns + max(0, first + 3), ends + rows.start])
        lines.append(CrossLine(points, float(sigma)))
    return lines


def _turned_level(piece: Piece) -> Levelled | None:
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
        found = _measured(piece, _turned(piece, angle, centre, half))
        if found is None:
            return None
        slope = _common_slope(found, piece.levels)
        upper, lower = found.levels
        middle = np.array([[found.middle, (upper + lower) / 2]])
        centre = found.view.to_proxy.onto(middle)[0]
        half[1] = (lower - upper) / 2 + margin
        angle += math.atan(slope)
        if abs(slope) < 1e-5:
            break
    return _measured(piece, _turned(piece, angle, centre, half))


def _turned(piece: Piece, angle: float, centre: Float64, half: Float64) -> StripView:
    """Return a view turned by an angle (radians), so far to all sides of a centre."""
    along = half[0] * np.array([math.cos(angle), math.sin(angle)])
    across = half[1] * np.array([-math.sin(angle), math.cos(angle)])
    left, right = centre - along, centre + along
    corners = np.array([left - across, right - across, right + across, left + across])
    return straighten(piece.light, corners_of(corners), 1.0)


def _measured(piece: Piece, view: StripView) -> Levelled | None:
    """Return edges and perforations in a view."""
    placed = view.of(piece.planes, cv2.INTER_LINEAR, cv2.BORDER_CONSTANT) > 0.5
    mask, valid, holder = (np.ascontiguousarray(placed[..., plane]) for plane in range(3))
    share = open_share(view.light, piece.levels)
    share[holder | ~valid] = 0.0
    narrow = film_sizes()["135"]
    height = view.light.shape[0] - 1
    px_per_mm = height / (1 + _MARGIN_OF_WIDTH * 2) / narrow.width_mm
    edges = find_edges(view.light, mask, valid, share, px_per_mm, _MOST_SLOPE)
    if edges is None:
        return None
    bare = less_narrow_ends(mask, share, edges)
    if bare is not mask:
        edges = find_edges(view.light, bare, valid, share, px_per_mm, _MOST_SLOPE) or edges
    holes = find_perforations(share, narrow, edges)
    return Levelled(view, bare, edges, holes)


def ends_covered(found: Levelled, piece: Piece, ends: tuple[float, float]) -> tuple[bool, bool]:
    """Tell of the left and right end (columns) of what shows of a strip whether a holder covers it.

    Beyond the film's own end is light; beyond the scan's border is nothing that could be seen.
    """
    upper, lower = found.levels
    rows = slice(max(0, math.ceil(upper + 2)), max(0, math.floor(lower - 2)))
    share = open_share(found.view.light[rows], piece.levels)
    height, width = piece.holder.shape
    covered = []
    for end, step in zip(ends, (-1, 1), strict=True):
        columns = round(end) + step * np.arange(1, _BEYOND_PX + 1)
        columns = columns[(columns >= 0) & (columns < share.shape[1])]
        middle = [(x, (upper + lower) / 2) for x in columns.tolist()]
        at = found.view.to_proxy.onto(np.array(middle).reshape(-1, 2))
        inside = ((at > -0.5) & (at < (width - 0.5, height - 0.5))).all(axis=1)
        beyond = share[:, columns[inside]]
        lit = beyond.size and float(np.median(beyond, axis=0).max()) > OPEN
        covered.append(len(columns) > 0 and bool(inside.all()) and not lit)
    return covered[0], covered[1]


def _common_slope(found: Levelled, levels: Levels) -> float:
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
    first, last = (round(end) for end in ends_of(found.mask, upper, lower))
    part = found.view.light[rows, first + 3 : last - 2]
    if min(part.shape[:2]) > _LEAST_PART_PX:
        density = -channel_mean(np.log10(np.maximum(over_base(part, levels), np.float32(1e-4))))
        slope = picture_slope(density, (lower - upper) / _SHOWN_MM, _MOST_HELD_SLOPE)
        if slope is not None:
            return slope
    return min((edge.slope for edge in found.edges), key=abs)
