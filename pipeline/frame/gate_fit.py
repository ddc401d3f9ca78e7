"""Rectangles of all frames of a strip, fitted together to their edges and the camera's habit."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.frame.columns import Evidence
from pipeline.frame.cupped import corners_off
from pipeline.frame.gate import EdgePlace, GateHabit
from pipeline.frame.junction import narrow_gaps, with_junctions, without_junctions
from pipeline.frame.reach import held_to, least_height
from pipeline.frame.sides import measured_edges
from pipeline.frame.slopes import FrameEdges, SideSlopes, out_of_shadow, robust_mean, side_slopes
from pipeline.frame.spans import Span
from pipeline.kinds import SIGMA_OF_MAD, Row
from pipeline.strip import measure_limits

# Edges that few rows show may lie where the scene, not the gate, begins.
_SHARE_KNOTS = (0.0, 0.15, 0.45, 0.6)
_SHARE_SIGMA_MM = (0.5, 0.35, 0.12, 0.02)
_LEAST_LENGTH_SPREAD_MM = 0.05
_LEAST_SIZES = 3
_BAND_SPREAD_MM = 0.12
_ROUNDS = 4
# Residuals beyond this many deviations count less and less.
_OUTLYING = 2.5
# Frames must lie this close for their confidence to count as kept.
TOLERANCE_MM = 0.25
OTHER_GATE_MM = 1.5
"""A frame whose length differs by more from the camera's was taken through another gate."""
_OTHER_GATE_SPREAD_MM = 0.35
# Opposite edges that miss the gate's size by more than this contradict each other; an edge so much
# less well known than the other is softer.
_CONFLICT_MM, _FUZZY = 0.12, 1.5


@dataclass(frozen=True)
class GateRectangle:
    """A frame's sides in view pixels at their middles, as if not turned, and how they lean.

    `sigma` are the standard errors of start, end, top and bottom in pixels, each at that end of
    the side where it is greater; `leans` the slopes of the four off that which the strip shares.
    """

    start: float
    end: float
    top: float
    bottom: float
    sigma: tuple[float, ...]
    leans: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)

    def surety(self, px_per_mm: float) -> float:
        """Return the probability that no edge is off by more than the tolerance."""
        reach = TOLERANCE_MM * px_per_mm
        return math.prod(math.erf(reach / (math.sqrt(2.0) * max(s, 1e-6))) for s in self.sigma)


@dataclass(frozen=True)
class GateFit:
    """Rectangles of all spans, the tilt they share, and the habit they show."""

    rectangles: tuple[GateRectangle, ...]
    tilt: float
    habit: GateHabit


@dataclass(frozen=True)
class _Term:
    """One linear equation: unknowns by index times factors make `value`, give or take `sigma`.

    A `firm` one is never taken for an outlier.
    """

    factors: dict[int, float]
    value: float
    sigma: float
    firm: bool = False


def fit_gates(seen: Evidence, spans: Sequence[Span], habit: GateHabit) -> GateFit:
    """Return the rectangles of a strip's spans.

    Parameters
    ----------
    seen
        The strip's evidence, whose `top` and `bottom` say where pictures lie across the film.
    spans
        Where frames were found, left to right, to about a millimetre.
    habit
        What is known of the camera.

    Notes
    -----
    Edges that were measured, the picture's size and the gaps make one system of linear
    equations, each weighted by how well it is known, solved by least squares; what does not fit
    the rest counts less. The inverse of the system tells how well each edge is known.
    """
    ppmm = seen.px_per_mm
    edges, coarse = measured_edges(seen, spans, habit)
    narrow = narrow_gaps(spans, ppmm, coarse)
    edges = out_of_shadow(without_junctions(edges, narrow), ppmm, coarse)
    ends = np.array([(span.start, span.end) for span in spans]).reshape(-1, 2)
    placed = 2.0 * ends / len(seen.busy) - 1.0
    slopes = side_slopes(edges, placed, habit)
    edges = with_junctions(edges, narrow, spans, -slopes.shared, seen, coarse)
    # Bowed film lies higher here and lower there, as its slope tells.
    drift = slopes.bow * len(seen.busy) / 4.0 * placed.mean(axis=1) ** 2
    sizes = _sizes(edges, spans, habit, ppmm)
    # The film advances by the same pitch whatever the gate.
    learned = GateHabit(
        *sizes,
        habit.gap_mm + habit.length_mm - sizes[0],
        habit.gap_spread_mm,
        slopes.shared,
        slopes.error,
    )
    along, along_sigma = _along(edges, spans, learned, seen)
    across, across_sigma = _across(edges, learned, seen, drift)
    off, off_sigma = corners_off(seen, edges, placed, coarse)
    sides = np.column_stack([along.reshape(-1, 2) + off, across])
    spread = np.column_stack([np.hypot(along_sigma.reshape(-1, 2), off_sigma), across_sigma])
    sigmas = _at_corners(spread, sides, slopes, len(seen.busy))
    # A side lies at its own place or at its double's, those of all frames at the same.
    doubled = np.repeat(seen.double_mm, 2) * ppmm / math.sqrt(2.0)
    sigmas = np.hypot(sigmas, doubled)
    # A picture that a holder covers goes as far as it is seen.
    height, width = seen.flat.shape
    sides = np.clip(sides, -0.5, np.array([width, width, height, height]) - 0.5)
    rectangles = tuple(
        GateRectangle(
            start, end, top, bottom,
            tuple(sigmas[k].tolist()), tuple(slopes.leans[k].tolist()),
        )
        for k, (start, end, top, bottom) in enumerate(sides.tolist())
    )  # fmt: skip
    return GateFit(rectangles, slopes.shared, _with_gaps(learned, rectangles, spans, ppmm))


def _at_corners(sigma: Row, sides: Row, slopes: SideSlopes, size: int) -> Row:
    """Return the standard errors of sides (n, 4) at their corners, from those at their middles."""
    long, high = sides[:, 1] - sides[:, 0], sides[:, 3] - sides[:, 2]
    half = np.column_stack([high, high, long, long]) / 2.0
    # The corners of a bent side lie so far off the straight line through it.
    bent = 2.0 * slopes.bow / size * half**2 / 3.0 * np.array([0.0, 0.0, 1.0, 1.0])
    corners: Row = np.sqrt(sigma**2 + (slopes.sigmas * half) ** 2 + bent**2)
    return corners


def _sigma(edge: EdgePlace, ppmm: float) -> float:
    """Return an edge's standard error in pixels, with what the scene may do to it."""
    scene = float(np.interp(edge.share, _SHARE_KNOTS, _SHARE_SIGMA_MM)) * ppmm
    return math.hypot(edge.sigma, scene)


def _sizes(
    edges: Sequence[FrameEdges], spans: Sequence[Span], habit: GateHabit, ppmm: float
) -> tuple[float, float, float, float]:
    """Return the gate's length and height, each with its deviation (mm), of all clear pictures."""
    least = _LEAST_LENGTH_SPREAD_MM

    def learned(
        pairs: list[tuple[EdgePlace, EdgePlace]], mean: float, spread: float
    ) -> tuple[float, float]:
        values, weights = [mean], [1.0 / spread**2]
        for first, last in pairs:
            value = (last.place - first.place) / ppmm
            sigma = math.hypot(_sigma(first, ppmm), _sigma(last, ppmm)) / ppmm
            if abs(value - mean) < 3.0 * spread + 0.3:
                values.append(value)
                weights.append(1.0 / (sigma**2 + least**2))
        size, error = robust_mean(np.array(values), np.array(weights))
        # Film that is seen aslant shows one gate in many sizes.
        off = np.abs(np.array(values[1:]) - size)
        apart = SIGMA_OF_MAD * float(np.median(off)) if len(off) >= _LEAST_SIZES else 0.0
        return size, math.hypot(error, max(least, apart))

    whole = [e for e, span in zip(edges, spans, strict=True) if span.kind == "picture"]
    lengths = [(e.start, e.end) for e in whole if e.start and e.end]
    heights = [(e.top, e.bottom) for e in edges if e.top and e.bottom]
    height, spread = learned(heights, habit.height_mm, habit.height_spread_mm)
    least_mm = least_height([e.reached for e in edges], [(e.top, e.bottom) for e in edges]) / ppmm
    if height < least_mm:
        # An edge that other pictures go on beyond is the scene's.
        height, spread = max(least_mm, habit.height_mm), habit.height_spread_mm
    return (*learned(lengths, habit.length_mm, habit.length_spread_mm), height, spread)


def _along(
    edges: Sequence[FrameEdges], spans: Sequence[Span], habit: GateHabit, seen: Evidence
) -> tuple[Row, Row]:
    """Return start and end of every span by turns, and their standard errors, in pixels."""
    ppmm, size, count = seen.px_per_mm, len(seen.busy), len(spans)
    terms: list[_Term] = []
    hidden = np.zeros(2 * count)
    for k, (four, span) in enumerate(zip(edges, spans, strict=True)):
        length, spread = _own_length(span, habit, ppmm)
        first, last = 2 * k, 2 * k + 1
        pair = (four.start, four.end)
        cut = _is_cut(span, habit.length_mm * ppmm, size)
        sigmas = _pair_sigmas(pair, None if cut else length, seen.lift, ppmm)
        ends = zip((first, last), pair, sigmas, four.hidden, strict=True)
        for index, edge, sigma, under in ends:
            if edge is not None:
                terms.append(_Term({index: 1.0}, edge.place, sigma))
            elif under is not None:
                terms.append(_Term({index: 1.0}, *under))
        # Where nothing else tells, a frame lies about where the solve put it.
        vague = (1.0 if span.kind == "picture" else 2.0) * ppmm
        terms.append(_Term({first: 0.5, last: 0.5}, (span.start + span.end - 1) / 2, vague))
        if cut:
            on_right = span.start != 0
            index, end = (last, size - 0.5) if on_right else (first, -0.5)
            if seen.ends_covered[on_right]:
                hidden[index] = length - (span.end - span.start)
            terms.append(_Term({index: 1.0}, end, 0.1 * ppmm))
            terms.append(_Term({first: -1.0, last: 1.0}, float(span.end - span.start), vague))
        else:
            terms.append(_Term({first: -1.0, last: 1.0}, length, spread, firm=True))
    for k in range(count - 1):
        gap, spread = habit.gap_mm * ppmm, habit.gap_spread_mm * ppmm
        terms.append(_Term({2 * k + 1: -1.0, 2 * k + 2: 1.0}, gap, spread))
    places, errors = _solved(terms, 2 * count)
    # The picture goes on under the holder: its own end is so far away.
    return places, np.hypot(errors, hidden)


def _own_length(span: Span, habit: GateHabit, ppmm: float) -> tuple[float, float]:
    """Return the length of a frame and its spread in pixels: the camera's, or of another gate."""
    length = float(span.end - span.start)
    if span.kind == "picture" and abs(length / ppmm - habit.length_mm) > OTHER_GATE_MM:
        return length, _OTHER_GATE_SPREAD_MM * ppmm
    return habit.length_mm * ppmm, habit.length_spread_mm * ppmm


def _is_cut(span: Span, length: float, size: int) -> bool:
    """Tell whether a strip's end cuts a frame."""
    return (span.start == 0 or span.end >= size) and span.end - span.start < length - 1.0


def _pair_sigmas(
    pair: tuple[EdgePlace | None, EdgePlace | None],
    size: float | None,
    lift: Row,
    ppmm: float,
) -> tuple[float, float]:
    """Return the standard errors of a picture's opposite edges, in pixels.

    Where they are too close together, the picture begins dark on one side: on that which is
    less like base between the edge found and where the gate's size puts it.
    """
    first, last = pair
    sigmas = tuple(0.0 if edge is None else _sigma(edge, ppmm) for edge in pair)
    if first is None or last is None or size is None:
        return sigmas[0], sigmas[1]
    short = size - (last.place - first.place)
    if abs(short) < max(3.0 * math.hypot(*sigmas), _CONFLICT_MM * ppmm):
        return sigmas[0], sigmas[1]
    doubt = (math.hypot(sigmas[0], short), math.hypot(sigmas[1], short))
    begin, end = (one.place if one.foot is None else one.foot for one in (first, last))
    before = _mean_between(lift, begin - short, begin)
    after = _mean_between(lift, end, end + short)
    if short > 0 and abs(before - after) > float(measure_limits("film")["alike"]):
        doubted = int(after > before)
        # A gate's edge is as sharp as any; what is softer may be the scene's after all.
        if sigmas[1 - doubted] > _FUZZY * sigmas[doubted]:
            return doubt
        return (doubt[0], sigmas[1]) if before > after else (sigmas[0], doubt[1])
    if first.share < 0.5 * last.share:
        return doubt[0], sigmas[1]
    if last.share < 0.5 * first.share:
        return sigmas[0], doubt[1]
    return doubt


def _mean_between(values: Row, first: float, last: float) -> float:
    """Return the mean of values between two edges, in pixel centres."""
    low, high = max(0, math.ceil(first + 0.5)), min(len(values), math.floor(last + 0.5))
    return float(values[low:high].mean()) if high > low else 0.0


def _solved(terms: Sequence[_Term], unknowns: int) -> tuple[Row, Row]:
    """Return unknowns and their standard errors by least squares, outlying terms held back."""
    matrix = np.zeros((len(terms), unknowns))
    for row, term in enumerate(terms):
        for index, factor in term.factors.items():
            matrix[row, index] = factor
    values = np.array([term.value for term in terms])
    sigma = np.array([term.sigma for term in terms])
    firm = np.array([term.firm for term in terms])
    spread = sigma.copy()
    for _ in range(2 * _ROUNDS):
        weighted = matrix / spread[:, None]
        normal = weighted.T @ weighted
        found = np.linalg.solve(normal, weighted.T @ (values / spread))
        off = np.where(firm, 0.0, (values - matrix @ found) / sigma)
        spread = sigma * np.sqrt(1.0 + (off / _OUTLYING) ** 2)
    return found, np.sqrt(np.diag(np.linalg.inv(normal)))


def _across(
    edges: Sequence[FrameEdges], habit: GateHabit, seen: Evidence, drift: Row
) -> tuple[Row, Row]:
    """Return top and bottom of every span (n, 2) and their standard errors, in pixels.

    `drift` (n,) is by how much lower each span lies than the strip's middle.
    """
    ppmm = seen.px_per_mm
    height = habit.height_mm * ppmm
    middles = [
        (e.top.place + e.bottom.place) / 2 - lower
        for e, lower in zip(edges, drift, strict=True)
        if e.top and e.bottom and abs(e.bottom.place - e.top.place - height) < 0.3 * ppmm
    ]
    middle = float(np.median(middles)) if middles else (seen.top + seen.bottom) / 2
    band = (_BAND_SPREAD_MM if middles else 3.0 * _BAND_SPREAD_MM) * ppmm
    if middles:
        # Film that is bowed lies higher here and lower there.
        band = max(band, SIGMA_OF_MAD * float(np.median(np.abs(np.array(middles) - middle))))
    places, errors = [], []
    for four, lower in zip(edges, drift.tolist(), strict=True):
        terms = [
            _Term({0: -1.0, 1: 1.0}, height, habit.height_spread_mm * ppmm, firm=True),
            _Term({0: 0.5, 1: 0.5}, middle + lower, band),
        ]
        pair = (four.top, four.bottom)
        sigmas = _pair_sigmas(pair, height, seen.row_lift, ppmm)
        for index, edge, sigma in zip((0, 1), pair, sigmas, strict=True):
            if edge is not None:
                terms.append(_Term({index: 1.0}, edge.place, sigma))
        place, error = held_to(*_solved(terms, 2), four.reached)
        places.append(place)
        errors.append(error)
    return np.array(places).reshape(-1, 2), np.array(errors).reshape(-1, 2)


def _with_gaps(
    habit: GateHabit, rectangles: Sequence[GateRectangle], spans: Sequence[Span], ppmm: float
) -> GateHabit:
    """Return the habit with the gaps between frames whose edges are well known."""
    gaps = [
        (after.start - before.end) / ppmm
        for (before, one), (after, other) in itertools.pairwise(zip(rectangles, spans, strict=True))
        if max(before.sigma[1], after.sigma[0]) < 0.1 * ppmm
        and "blank" not in (one.kind, other.kind)
    ]
    if len(gaps) < 2:
        return habit
    usual = float(np.median(gaps))
    spread = 1.5 * float(np.median(np.abs(np.asarray(gaps) - usual)))
    return replace(habit, gap_mm=usual, gap_spread_mm=min(max(0.35, spread), habit.gap_spread_mm))
