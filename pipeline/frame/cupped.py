"""Film that is cupped across: a camera sees its frames' upright sides curved, outwards or inwards.

What lies nearer to a camera is seen farther from the point that it looks at, in proportion. The
middle of cupped film lies nearer than its edges, or farther: a side is curved by as much as it is
away from that point, along the film. All sides tell together.
"""

import math
from collections.abc import Sequence

import numpy as np

from pipeline.frame.columns import Evidence
from pipeline.frame.sides import edge_near, upright_rows
from pipeline.frame.slopes import FrameEdges, sure_deviation
from pipeline.kinds import Row

# How far the corners of the outermost sides usually lie off (film that rises by 1 mm, seen from
# 250 mm away at 35 degrees: 0.7 mm of curve; common practice, no source).
_USUAL_MM = 0.5
_REACH_MM = 0.5
_LEAST_SIDES = 4
_LEAST_SHARE = 0.6
_LEAST_DEVIATIONS = 4.0
_OUTLYING, _ROUNDS = 2.5, 6
# The mean square of a row's height over half the height of all rows, by parts of them: the outer
# quarters and the middle half.
_OUTER, _INNER, _ALL = 7.0 / 12.0, 1.0 / 12.0, 1.0 / 3.0


def corners_off(
    seen: Evidence, edges: Sequence[FrameEdges], along: Row, coarse: int
) -> tuple[Row, Row]:
    """Return how far the corners of frames' starts and ends lie off the lines through them.

    Parameters
    ----------
    seen
        The strip's evidence.
    edges
        What was measured of each frame's sides.
    along
        (n, 2) where each frame starts and ends, from -1 at the strip's start to 1 at its end.
    coarse
        How many pixels were taken as one where edges were measured.

    Returns
    -------
    off, errors
        (n, 2) pixels along the film; nought where nothing tells that film is cupped.
    """
    rows = upright_rows(seen)
    count = rows.stop - rows.start
    told: list[tuple[float, float, float]] = []
    for four, places in zip(edges, along, strict=True):
        for at_end, (edge, place) in enumerate(zip((four.start, four.end), places, strict=True)):
            if edge is None or edge.share < _LEAST_SHARE:
                continue
            curve = _curve(seen, edge.place, bool(at_end), coarse)
            if curve is not None:
                told.append((float(place), *curve))
    none = np.zeros_like(along)
    if len(told) < _LEAST_SIDES:
        return none, none
    # By how much corners are farther off than the curve's parts, heights in half of those rows'.
    whole = ((seen.bottom - seen.top) / count) ** 2
    factor = (whole - _ALL) / (_OUTER - _INNER)
    x, curves, errors = np.array(told).T
    ways = np.column_stack([np.ones(len(x)), x])
    usual = _USUAL_MM * seen.px_per_mm / factor
    spread = errors
    for _ in range(_ROUNDS):
        weighted = ways / spread[:, None]
        normal = weighted.T @ weighted + np.eye(2) / usual**2
        found = np.linalg.solve(normal, weighted.T @ (curves / spread))
        rest = curves - ways @ found
        scatter = np.hypot(errors, sure_deviation(rest))
        spread = scatter * np.sqrt(1.0 + (rest / (_OUTLYING * scatter)) ** 2)
    covariance = np.linalg.inv(normal)
    if abs(found[1]) < _LEAST_DEVIATIONS * math.sqrt(covariance[1, 1]):
        return none, none
    every = np.stack([np.ones_like(along), along], axis=-1)
    variance = np.einsum("...i,ij,...j->...", every, covariance, every)
    return factor * (every @ found), factor * np.sqrt(variance)


def _curve(seen: Evidence, place: float, at_end: bool, coarse: int) -> tuple[float, float] | None:
    """Return by how many columns a side's outer quarters lie beyond its middle half, its error."""
    rows = upright_rows(seen)
    level = seen.flat[rows]
    if at_end:
        level, place = level[:, ::-1], level.shape[1] - 1 - place
    quarter = len(level) // 4
    parts = (level[:quarter], level[quarter:-quarter], level[-quarter:])
    reach = _REACH_MM * seen.px_per_mm
    found = [edge_near(part, place, reach, seen.noise, coarse) for part in parts]
    upper, middle, lower = found
    if upper is None or middle is None or lower is None:
        return None
    if min(edge.share for edge in (upper, middle, lower)) < _LEAST_SHARE:
        return None
    off = (upper.place + lower.place) / 2 - middle.place
    error = math.hypot(upper.sigma / 2, lower.sigma / 2, middle.sigma)
    return (-off if at_end else off), error
