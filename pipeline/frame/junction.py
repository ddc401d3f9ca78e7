"""Where two pictures meet, or all but meet: both of their edges told by what lies across them.

Light of both pictures, blurred, fills so narrow a gap that no base shows beside either edge. All
ways in which the two may lie are held against the rows: a picture, base, a picture.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.frame.columns import Evidence
from pipeline.frame.gate import EdgePlace
from pipeline.frame.sides import coarsened, upright_rows
from pipeline.frame.slopes import FrameEdges
from pipeline.frame.spans import Span
from pipeline.kinds import Density, Row

# Gaps of fewer pixels show no base that is free of both pictures' blur. Pictures that lie over
# each other by more than what the solve may be off have edges that are steps of their own.
_NARROW_PX, _SURE_OVERLAP_MM = 7.0, 0.2
# Edges are tried so far (millimetres, but at least so many pixels) from where they are looked for,
# in steps of so many pixels, with edges blurred by these standard deviations (pixels).
_REACH_MM, _LEAST_REACH_PX = 0.6, 3.0
_STEP_PX = 0.25
_BLURS_PX = (0.7, 1.2, 2.0, 3.2)
# So many pixels of the pictures are looked at beyond, each less alike the edge: by how much the
# variance grows a pixel.
_BEYOND_PX, _UNLIKE = 5, 1.0
_MOST_DENSITY = 3.0
_ROUNDS = 3
# A row shows a picture where it takes more light than so many deviations of the base.
_LIT = 3.0
_LEAST_NOISE = 0.004
_LEAST_SIGMA_PX = 0.18


def narrow_gaps(spans: Sequence[Span], px_per_mm: float, coarse: int = 1) -> list[int]:
    """Return the frames (indices) that all but meet the next one.

    Blur is that of a scan which is sharp in means of `coarse` pixels.
    """
    least = -_SURE_OVERLAP_MM * px_per_mm
    return [
        k
        for k, (one, other) in enumerate(itertools.pairwise(spans))
        if least < other.start - one.end < _NARROW_PX * coarse
        and "blank" not in (one.kind, other.kind)
    ]


def without_junctions(edges: Sequence[FrameEdges], narrow: Sequence[int]) -> list[FrameEdges]:
    """Return edges less those at narrow gaps."""
    left = list(edges)
    for k in narrow:
        left[k] = replace(left[k], end=None)
        left[k + 1] = replace(left[k + 1], start=None)
    return left


def with_junctions(
    edges: Sequence[FrameEdges],
    narrow: Sequence[int],
    spans: Sequence[Span],
    turn: float,
    seen: Evidence,
    coarse: int = 1,
) -> list[FrameEdges]:
    """Return edges with those at narrow gaps told together, where edges turn so much a row.

    Means of `coarse` pixels are looked at.
    """
    placed = list(edges)
    if not narrow:
        return placed
    rows = coarsened(seen.flat[upright_rows(seen)], coarse)
    noise, scale = seen.noise / math.sqrt(coarse), seen.px_per_mm / coarse
    for k in narrow:
        near = spans[k].end / coarse - 0.5, spans[k + 1].start / coarse - 0.5
        pair = find_junction(rows, near, turn / coarse, noise, scale)
        if pair is not None:
            placed[k] = replace(placed[k], end=pair[0].finer(coarse))
            placed[k + 1] = replace(placed[k + 1], start=pair[1].finer(coarse))
    return placed


def find_junction(
    density: Density, near: tuple[float, float], turn: float, noise: float, px_per_mm: float
) -> tuple[EdgePlace, EdgePlace] | None:
    """Return where one picture ends and the next one starts, None too close to the view's end.

    Parameters
    ----------
    density
        (rows, columns) density above base, of rows that both pictures cross.
    near
        Where the two edges are looked for: columns (pixel centres).
    turn
        Their change of place a row.
    noise
        Standard deviation of the base's density.
    px_per_mm
        Scale.

    Notes
    -----
    In each row the light that either picture takes is free. What a scene does to one row it does
    to most: all rows together tell no more than one, so that a way is as likely as it is by the
    mean row. Places are means over all ways, their errors the deviations.
    """
    reach = max(_LEAST_REACH_PX, _REACH_MM * px_per_mm)
    first = math.floor(min(near) - reach) - _BEYOND_PX
    last = math.ceil(max(near) + reach) + _BEYOND_PX
    if first < 0 or last >= density.shape[1]:
        return None
    x = np.arange(first, last + 1, dtype=float)
    away = np.sqrt(1.0 + _UNLIKE * np.abs(x - sum(near) / 2.0))
    taken = _taken(density, x, turn) / away
    quiet = math.log(10.0) * max(noise, _LEAST_NOISE)
    ends, starts, levels = _ways(x, near, reach)
    levels = levels / away
    scale = np.hypot(quiet, np.median(np.abs(np.diff(taken, axis=1)), axis=1))
    for _ in range(_ROUNDS):
        rest = _rest(levels, taken / scale[:, None])
        best = levels[int(np.argmin(rest))]
        seen = taken @ np.linalg.pinv(best)
        scale = np.hypot(quiet, np.sqrt(np.mean((taken - seen @ best) ** 2, axis=1)))
    likely = np.exp((rest.min() - rest) / 2.0)
    lit = np.mean(seen > _LIT * quiet, axis=0)
    return (
        _edge(ends, likely / likely.sum(), turn, float(lit[0])),
        _edge(starts, likely / likely.sum(), turn, float(lit[1])),
    )


def _taken(density: Density, x: Row, turn: float) -> Row:
    """Return the light taken (rows, n) at columns that follow edges which turn.

    Blur mixes light, not density.
    """
    y = np.arange(len(density)) - (len(density) - 1) / 2
    columns = np.clip(x + turn * y[:, None], 0.0, density.shape[1] - 1.001)
    left = columns.astype(int)
    rows = np.arange(len(density))[:, None]
    share = columns - left
    found = density[rows, left] * (1.0 - share) + density[rows, left + 1] * share
    taken: Row = -np.expm1(-math.log(10.0) * np.clip(found, -0.1, _MOST_DENSITY))
    return taken


def _ways(x: Row, near: tuple[float, float], reach: float) -> tuple[Row, Row, Row]:
    """Return ways to lie: ends and starts (n), and what is theirs of the columns (n, 2, columns).

    Each is there with edges of every blur.
    """
    from scipy.special import ndtr

    steps = np.arange(-reach, reach + _STEP_PX / 2.0, _STEP_PX)
    ends, starts = (grid.ravel() for grid in np.meshgrid(near[0] + steps, near[1] + steps))
    kept = starts >= ends
    blur = np.repeat(_BLURS_PX, np.count_nonzero(kept))[:, None]
    ends, starts = (np.tile(places[kept], len(_BLURS_PX)) for places in (ends, starts))
    shares = (ndtr((ends[:, None] - x) / blur), ndtr((x - starts[:, None]) / blur))
    return ends, starts, np.stack(shares, axis=1)


def _rest(levels: Row, rows: Row) -> Row:
    """Return what each way (n, 2, columns) leaves of the mean row: squares, summed."""
    mean = rows.T @ rows / len(rows)
    across = levels @ mean @ levels.transpose(0, 2, 1)
    inner = levels @ levels.transpose(0, 2, 1) + 1e-6 * np.eye(2)
    rest: Row = np.trace(mean) - np.einsum("nij,nji->n", np.linalg.inv(inner), across)
    return rest


def _edge(places: Row, likely: Row, turn: float, lit: float) -> EdgePlace:
    """Return an edge by how likely its places are; it does not tell by how much it turns."""
    place = float(likely @ places)
    sigma = math.sqrt(float(likely @ (places - place) ** 2))
    return EdgePlace(place, turn, math.hypot(sigma, _LEAST_SIGMA_PX), math.inf, lit)
