"""The camera's gate as a roll shows it, and its edges placed by all the rows that cross them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.frame.glow import above_glow
from pipeline.frame.shadow import Fall, fall_of
from pipeline.kinds import Density, Row
from pipeline.profile import FrameFormat

_LEAST_CLEAR_FRAMES = 4
# Lengths of gates are tried so many deviations of one gate apart.
_GATE_STEP = 2.0
# A camera's size and gaps over a roll are at least so uncertain.
_LEAST_SIZE_SPREAD_MM = 0.05
_LEAST_GAP_SPREAD_MM = 0.35


@dataclass(frozen=True)
class GateHabit:
    """What a camera does to every frame of a roll, and by how much it may differ.

    Lengths in millimetres, each with its standard deviation: the picture's length along the
    film, its height across, the gap between pictures; `tilt` is the turn of the gate against the
    film as a slope, clockwise positive.
    """

    length_mm: float
    length_spread_mm: float
    height_mm: float
    height_spread_mm: float
    gap_mm: float
    gap_spread_mm: float
    tilt: float = 0.0
    tilt_spread: float = 0.006


def usual_habit(form: FrameFormat, longer_mm: float = 0.0) -> GateHabit:
    """Return what is known of a camera of a format whose gate is so much longer than usual.

    The film advances by the format's pitch, whatever the gate.
    """
    return GateHabit(
        length_mm=form.image_along_mm + longer_mm,
        length_spread_mm=form.gate_spread * form.image_along_mm,
        height_mm=form.film.image_across_mm,
        height_spread_mm=form.gate_spread * form.film.image_across_mm,
        gap_mm=form.usual_gap_mm - longer_mm,
        gap_spread_mm=form.gap_spread_mm,
    )


def usual_habits(form: FrameFormat) -> tuple[GateHabit, ...]:
    """Return what is known of cameras of a format, for each length of their gates."""
    step = _GATE_STEP * form.gate_spread * form.image_along_mm
    shortest, longest = (round((mm - form.image_along_mm) / step) for mm in form.gates_mm)
    return tuple(usual_habit(form, step * count) for count in range(shortest, longest + 1))


def shared_habit(strips: Sequence[tuple[GateHabit, int]]) -> GateHabit | None:
    """Return the habit that the strips of a roll share, or None where too little is clear.

    Parameters
    ----------
    strips
        Each strip's habit with its number of frames whose edges are clear.

    Notes
    -----
    How the gate lies against the film is left open: a strip's own angle is part of it.
    """
    clear = [(habit, count) for habit, count in strips if count > 0]
    counts = [count for _, count in clear]
    if sum(counts) < _LEAST_CLEAR_FRAMES:
        return None

    def middle(name: str) -> float:
        return float(np.median(np.repeat([getattr(habit, name) for habit, _ in clear], counts)))

    return replace(
        clear[0][0],
        length_mm=middle("length_mm"),
        length_spread_mm=_LEAST_SIZE_SPREAD_MM,
        height_mm=middle("height_mm"),
        height_spread_mm=_LEAST_SIZE_SPREAD_MM,
        gap_mm=middle("gap_mm"),
        gap_spread_mm=max(_LEAST_GAP_SPREAD_MM, middle("gap_spread_mm")),
        tilt=GateHabit.tilt,
        tilt_spread=GateHabit.tilt_spread,
    )


_MOST_DENSITY = 3.0
# Single readings count no more than this many deviations: dust is not the gate.
_CAPPED_DEVIATIONS = 3.0
# Mean of half the squared lighter-than-noise readings of clear base is 0.25; a column must be
# this much busier before it speaks for a picture.
_BASE_LEVEL = 0.25
_DEPARTURE = 0.35
# How far off the base may have been taken (density): what departs by less from it may be base.
_BASE_ERROR = 0.01
# An edge is looked for so much beyond its reach (pixels), as light is blurred.
_BLUR_PX = 1.5
# Columns just outside that must be base, and by how much the picture must differ from them.
_OUTSIDE_PX = 3
_LEAST_STEP = 0.15
_MOST_OUTSIDE = 0.3
# A step between columns is seen over so many on either side; rows that differ by this density or
# more speak fully, and so large a part of them must agree.
_STEP_PX = 2
_STEP_DENSITY = 0.04
_LEAST_COHERENCE = 0.3
_OVER_SIGMA_PX = 0.4
# Where no base lies outside, an upright line of the scene has as many rows that step up together.
_SCENES_SHARE = 0.2
_LEAST_NOISE = 0.004
_FEW_ROWS = 0.45
# Where fewer rows show the picture, medians of so many are looked at.
_MANY_ROWS = 0.6
_BLOCK_ROWS = 16
# What is lighter than base by so much is a hole's light; so many rows must be free of it.
_HOLE_DENSITY, _LEAST_BESIDE = 0.05, 0.2
# No edge is known better than this: the gate's shadow is soft and the film lies uneven.
_LEAST_SIGMA_PX = 0.18


@dataclass(frozen=True)
class EdgePlace:
    """Where an edge crosses the middle row, in pixel centres along the row.

    `tilt` is its change of place a row; `sigma` and `tilt_sigma` are the standard errors of both
    (pixels); `share` is the part of all rows that are denser inside than the base's noise; `fall`
    tells how it falls to base, None where the picture is thin or no base shows; `foot` where base
    ends if that is farther out, at the outer end of the gate's shadow.
    """

    place: float
    tilt: float
    sigma: float
    tilt_sigma: float
    share: float
    fall: Fall | None = None
    foot: float | None = None

    def moved(self, by_px: float, error_px: float) -> "EdgePlace":
        """Return the edge moved by so many pixels, give or take an error."""
        sigma = math.hypot(self.sigma, error_px)
        return replace(self, place=self.place + by_px, sigma=sigma, foot=self.place)

    def finer(self, count: int) -> "EdgePlace":
        """Return the edge in pixels of which one of its own holds so many."""
        return EdgePlace(
            count * (self.place + 0.5) - 0.5,
            count * self.tilt,
            count * self.sigma,
            count * self.tilt_sigma,
            self.share,
            self.fall,
        )


def find_edge(density: Density, near: float, reach: float, noise: float) -> EdgePlace | None:
    """Return where clear base ends and a picture begins, or None if nothing tells.

    Parameters
    ----------
    density
        (rows, columns) density above base, the picture on the right.
    near, reach
        Where the edge is looked for: column (pixel centres), and pixels to either side.
    noise
        Standard deviation of the base's density.

    Notes
    -----
    A first place comes from the step in what columns show over base, counted alike for few rows
    or many: rows that begin dark do not hide the edge where others show it. Then in every row the
    light that is taken between base and picture is summed up; the sum over the light taken inside
    is the picture's length in that window, whatever the blur. Rows are weighted by their contrast
    squared.
    """
    noise = max(noise, _LEAST_NOISE)
    inside = max(4, round(0.6 * reach))
    first = max(math.floor(near - reach - _BLUR_PX), 0)
    last = min(math.ceil(near + reach + inside + _BLUR_PX), density.shape[1] - 1)
    if last - first < 2 * inside:
        return None
    part = np.clip(density[:, first : last + 1], -0.1, _MOST_DENSITY).astype(np.float64)
    begin = _first_departure(above_glow(part), math.hypot(noise, _BASE_ERROR), inside)
    if begin is not None:
        return _placed(part, begin, noise, first)
    # Where light struck the gap, or two pictures overlap, only the step itself tells.
    begin = _steepest(part, noise, near - first, 0.6 * reach)
    return None if begin is None else _placed(part, begin, noise, first, over_base=True)


def coherent_steps(density: Density, noise: float) -> Row:
    """Return how far all rows agree on a step between columns, -1 to 1: 1 where all grow denser.

    Parameters
    ----------
    density
        (rows, columns) density above base.
    noise
        Standard deviation of the base's density.

    Returns
    -------
    array
        (columns + 1,): the step at the left side of each column, and after the last.
    """
    sums = np.pad(np.cumsum(density, axis=1, dtype=np.float64), ((0, 0), (1, 0)))
    count = density.shape[1]
    steps = np.zeros(count + 1)
    if count < 2 * _STEP_PX:
        return steps
    middle = sums[:, _STEP_PX:-_STEP_PX]
    rise = (sums[:, 2 * _STEP_PX :] - middle) - (middle - sums[:, : -2 * _STEP_PX])
    scale = max(_STEP_DENSITY, 3.0 * noise) * _STEP_PX
    steps[_STEP_PX:-_STEP_PX] = np.clip(rise / scale, -1.0, 1.0).mean(axis=0)
    return steps


def _steepest(part: Row, noise: float, near: float, reach: float) -> float | None:
    """Return where most rows step up at once (column edge), close to where it is looked for."""
    steps = coherent_steps(part.astype(np.float32), noise)
    away = np.abs(np.arange(len(steps)) - 0.5 - near)
    index = int(np.argmax(np.where(away <= reach, steps, -1.0)))
    return index - 0.5 if steps[index] > _LEAST_COHERENCE else None


def _first_departure(part: Row, noise: float, inside: int) -> float | None:
    """Return where columns stop being base (column edge, in pixel centres of the part)."""
    deviations = np.clip(part / noise, 0.0, _CAPPED_DEVIATIONS)
    speaks = (deviations**2 / 2).mean(axis=0) - _BASE_LEVEL - _DEPARTURE
    # However few rows show it, a picture is a picture.
    sums = np.concatenate([[0.0], np.cumsum(np.minimum(speaks, 1.0))])
    at = np.arange(1, len(speaks) - inside)
    outside = np.maximum(at - _OUTSIDE_PX, 0)
    before = (sums[at] - sums[outside]) / (at - outside)
    step = (sums[at + inside] - sums[at]) / inside - before
    index = int(np.argmax(step))
    if step[index] <= _LEAST_STEP or before[index] > _MOST_OUTSIDE:
        return None
    return float(at[index]) - 0.5


def _placed(
    part: Row, begin: float, noise: float, first: int, over_base: bool = False
) -> EdgePlace | None:
    """Return the edge at a first place, by the rows' fall to base or to what lies outside."""
    part, y = _beside_film(part, begin)
    edge = _refined(part, y, begin, noise, over_base)
    # Rows that agree on one place show the gate, however few they are.
    scattered = edge is not None and edge.sigma > _LEAST_SIGMA_PX
    count = len(y) // _BLOCK_ROWS
    if edge is not None and scattered and edge.share < _MANY_ROWS and count:
        # A night sky: single rows show but their stars, the median of several the sky.
        blocks = part[: count * _BLOCK_ROWS].reshape(count, _BLOCK_ROWS, -1)
        middles = y[: count * _BLOCK_ROWS].reshape(count, _BLOCK_ROWS).mean(axis=1)
        # The median of n readings is 1.25 times as uncertain as their mean.
        quiet = max(1.25 * noise / math.sqrt(_BLOCK_ROWS), _LEAST_NOISE / 2)
        sky = _refined(np.median(blocks, axis=1), middles, begin, quiet, over_base)
        if sky is not None and sky.share >= edge.share:
            edge = sky
    if edge is None:
        return None
    if over_base:
        edge = replace(edge, share=max(0.0, edge.share - _SCENES_SHARE))
    least = _OVER_SIGMA_PX if over_base else _LEAST_SIGMA_PX
    if scattered and edge.share < _FEW_ROWS:
        # A star that lies deeper in the picture pulls the rows' edge inward.
        edge = replace(edge, place=begin, tilt=0.0)
    if not over_base:
        edge = replace(edge, fall=fall_of(part, y, edge.place, edge.tilt))
    return replace(edge, place=first + edge.place, sigma=math.hypot(edge.sigma, least))


def _beside_film(part: Row, begin: float) -> tuple[Row, Row]:
    """Return the rows (n, columns) that have film beside the picture, and their heights (n).

    The light of a perforation close to the edge would shorten what rows beside it show.
    """
    rows = part.shape[0]
    y = np.arange(rows) - (rows - 1) / 2
    first = max(0, math.floor(begin - _BLUR_PX) - _OUTSIDE_PX)
    film = part[:, first : math.ceil(begin) + 1].min(axis=1) > -_HOLE_DENSITY
    if film.mean() < _LEAST_BESIDE:
        return part, y
    return np.ascontiguousarray(part[film]), y[film]


def _refined(part: Row, y: Row, begin: float, noise: float, over_base: bool) -> EdgePlace | None:
    """Return the edge by rows at heights `y`, in columns of the part."""
    from pipeline.frame.kernel import edge_through_rows

    edge = np.empty(5)
    # Blur mixes light, not density: places are told by what light the picture takes, which at
    # low densities is the same number.
    taken = np.ascontiguousarray(-np.expm1(-math.log(10.0) * part) / math.log(10.0))
    if not edge_through_rows(taken, y, begin, noise, over_base, edge):
        return None
    place, tilt, sigma, tilt_sigma, share = edge.tolist()
    return EdgePlace(place, tilt, sigma, tilt_sigma, share)
