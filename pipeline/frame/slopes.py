"""The four sides of each frame as lines of their own: slopes shared by a strip, and leans off them.

A gate is a rectangle, but film that is bowed turns its frames steadily along the strip, and film
seen aslant makes opposite sides converge. Both are fitted to the sides of all frames together;
what a single side leans beyond is learned from their scatter.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.frame.gate import EdgePlace, GateHabit
from pipeline.frame.reach import NOWHERE
from pipeline.frame.shadow import shadow_moves
from pipeline.kinds import SIGMA_OF_MAD, Row

# So far do single sides lean on film that lies straight, and frames turn along a bowed strip.
_LEAST_LEAN = 0.0005
_USUAL_TURN = 0.005
_LEAST_SIDES = 5
# A strip is bent where the turn of its sides is so many deviations off none.
_LEAST_DEVIATIONS = 4.0
# Where fewer rows than this show an edge, its slope is the scene's.
_LEAST_SHARE = 0.45
_ROUNDS = 4
# Slopes beyond this many deviations count less and less.
_OUTLYING = 2.5


@dataclass(frozen=True)
class FrameEdges:
    """The edges measured of one span; None where nothing tells.

    `reached` are the rows that its upper and lower edge are known to lie at or beyond. `hidden` are
    columns about which its start and end lie, and how far they may lie off, where a holder's bar
    covers them.
    """

    start: EdgePlace | None = None
    end: EdgePlace | None = None
    top: EdgePlace | None = None
    bottom: EdgePlace | None = None
    reached: tuple[float, float] = NOWHERE
    hidden: tuple[tuple[float, float] | None, tuple[float, float] | None] = (None, None)

    def slopes(self) -> tuple[tuple[float, float] | None, ...]:
        """Return start, end, top and bottom as slopes of the frame, each with its error.

        Slopes are of the turn that the side shows, clockwise positive.
        """
        return tuple(
            None
            if edge is None or edge.share <= _LEAST_SHARE
            else (sign * edge.tilt, edge.tilt_sigma)
            for edge, sign in (
                (self.start, -1),
                (self.end, -1),
                (self.top, 1),
                (self.bottom, 1),
            )
        )


def out_of_shadow(edges: Sequence[FrameEdges], px_per_mm: float, coarse: int) -> list[FrameEdges]:
    """Return the edges of a strip's frames where the gate's own are, told in so coarse pixels."""
    fours = [(one.start, one.end, one.top, one.bottom) for one in edges]
    falls = [None if edge is None else edge.fall for four in fours for edge in four]
    moves = iter(shadow_moves(falls, px_per_mm / coarse))
    placed = []
    for one, four in zip(edges, fours, strict=True):
        inwards = [
            (sign * coarse * by, coarse * error)
            for sign, (by, error) in zip((1, -1, 1, -1), (next(moves) for _ in four), strict=True)
        ]
        start, end, top, bottom = (
            None if edge is None else edge.moved(*move)
            for edge, move in zip(four, inwards, strict=True)
        )
        placed.append(replace(one, start=start, end=end, top=top, bottom=bottom))
    return placed


@dataclass(frozen=True)
class SideSlopes:
    """The slope that a strip's frames share, its error, and what each side leans off it.

    `leans` and `sigmas` (n, 4) are of start, end, top and bottom; `sigmas` are the standard errors
    of the sides' whole slopes. `bow` is by how much level sides turn from the middle to the end.
    """

    shared: float
    error: float
    leans: Row
    sigmas: Row
    bow: float


def side_slopes(edges: Sequence[FrameEdges], along: Row, habit: GateHabit) -> SideSlopes:
    """Return the slopes of the sides of a strip's frames.

    Parameters
    ----------
    edges
        What was measured of each frame's sides.
    along
        (n, 2) where each frame starts and ends, from -1 at the strip's start to 1 at its end.
    habit
        What is known of how the gate lies against the film.
    """
    told = [
        (4 * row + side, *pair)
        for row, four in enumerate(edges)
        for side, pair in enumerate(four.slopes())
        if pair is not None
    ]
    which = np.array([one[0] for one in told], int)
    values, errors = (np.array([one[k] for one in told], float) for k in (1, 2))
    ways = _ways(along)
    found, covariance, rest = _fitted(ways[which], values, errors, habit)
    spread = _lean_spread(rest, errors)
    whole = np.hypot(errors, spread)
    found, covariance, _ = _fitted(ways[which], values, whole, habit)
    # Film is straight unless its sides tell otherwise.
    told_apart = np.abs(found) > _LEAST_DEVIATIONS * np.sqrt(np.diag(covariance))
    ways = ways * np.where([True, *told_apart[1:]], 1.0, 0.0)
    found, covariance, rest = _fitted(ways[which], values, whole, habit)
    leans = ways[:, 1:] @ found[1:]
    variance = np.einsum("ij,jk,ik->i", ways, covariance, ways)
    # Where all else is straight, a side that leans is the scene's.
    bent = bool(told_apart[1:].any())
    sigmas = np.sqrt(variance + (spread if bent else _LEAST_LEAN) ** 2)
    if bent:
        for index, off, sigma in zip(which, rest, errors, strict=True):
            lean, own = _lean(off, sigma, spread)
            leans[index] += lean
            sigmas[index] = math.hypot(own, math.sqrt(variance[index]))
    shape = (len(edges), 4)
    shared, error = float(found[0]), math.sqrt(covariance[0, 0])
    return SideSlopes(shared, error, leans.reshape(shape), sigmas.reshape(shape), float(found[2]))


def _ways(along: Row) -> Row:
    """Return what each side's slope is made of (4 n, 4).

    The slope that all share; the turn of upright and of level sides along the strip; how far
    upper and lower sides converge.
    """
    rows = [
        (
            (1.0, start, 0.0, 0.0),
            (1.0, end, 0.0, 0.0),
            (1.0, 0.0, (start + end) / 2.0, 0.5),
            (1.0, 0.0, (start + end) / 2.0, -0.5),
        )
        for start, end in along
    ]
    return np.array(rows).reshape(-1, 4)


def _fitted(ways: Row, values: Row, errors: Row, habit: GateHabit) -> tuple[Row, Row, Row]:
    """Return the share of each way, their covariance, and what they leave of the slopes."""
    prior = 1.0 / np.array([habit.tilt_spread, *[_USUAL_TURN] * 3]) ** 2
    usual = np.array([habit.tilt, 0.0, 0.0, 0.0])
    spread = errors
    for _ in range(_ROUNDS):
        weighted = ways / spread[:, None]
        normal = weighted.T @ weighted + np.diag(prior)
        found = np.linalg.solve(normal, weighted.T @ (values / spread) + prior * usual)
        rest = values - ways @ found
        # What most sides do is no outlier, however small their errors.
        common = SIGMA_OF_MAD * float(np.median(np.abs(rest))) if len(rest) else 0.0
        usual_off = np.hypot(errors, common)
        spread = errors * np.sqrt(1.0 + (rest / (_OUTLYING * usual_off)) ** 2)
    covariance = np.asarray(np.linalg.inv(normal), float)
    return found, covariance, rest


def _lean_spread(rest: Row, errors: Row) -> float:
    """Return how far single sides lean beyond what their errors and chance explain."""
    if len(rest) < _LEAST_SIDES:
        return _LEAST_LEAN
    seen = sure_deviation(rest)
    return max(_LEAST_LEAN, math.sqrt(max(0.0, seen**2 - float(np.median(errors)) ** 2)))


def sure_deviation(rest: Row) -> float:
    """Return the standard deviation that values (n,) about 0 have at least; 0 of too few.

    One told by their median has an error of 1.17 / sqrt(n) of itself, as its efficiency is 37 %
    (Rousseeuw and Croux 1993, 'Alternatives to the median absolute deviation').
    """
    if len(rest) < 2:
        return 0.0
    told = SIGMA_OF_MAD * float(np.median(np.abs(rest)))
    return told * max(0.0, 1.0 - 1.17 / math.sqrt(len(rest)))


def _lean(off: float, sigma: float, spread: float) -> tuple[float, float]:
    """Return what a side leans beyond the others, held back by how little sides do, its error."""
    # What lies far beyond both is an edge of the scene.
    sigma *= math.sqrt(1.0 + (off / (_OUTLYING * math.hypot(sigma, spread))) ** 2)
    trust = spread**2 / (spread**2 + sigma**2)
    return trust * off, sigma * math.sqrt(trust)


def robust_mean(values: Row, weights: Row) -> tuple[float, float]:
    """Return the weighted mean of values, outlying ones held back, and its standard error."""
    mean = float(np.median(values) if len(values) > 2 else np.average(values, weights=weights))
    for _ in range(_ROUNDS):
        off = (values - mean) * np.sqrt(weights)
        kept = weights / (1.0 + (off / _OUTLYING) ** 2)
        mean = float(np.average(values, weights=kept))
    return mean, float(1.0 / math.sqrt(kept.sum()))
