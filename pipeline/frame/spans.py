"""Spans of frames along a strip, and the gaps between them: all solved together."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.frame.columns import NARROW_PX, Evidence
from pipeline.frame.gate import GateHabit
from pipeline.frame.seam import TURNED_PX
from pipeline.kinds import Mask, Row
from pipeline.profile import FrameFormat

# Pictures lie so far over each other in most cameras that wind on unevenly. Where the transport
# slipped they share as much as this part of the gate, anywhere, which is rarer.
_USUAL_OVERLAP_MM = 3.0
_DEEPEST_OVERLAP = 0.75
_DEEP_OVERLAP_COST = 3.0
# Gaps so wide, or so many deviations wider than a camera's usual one, are no slip of the transport.
_LARGEST_USUAL_GAP_MM, _USUAL_DEVIATIONS = 8.0, 3.0
_LONG_GAP_COST = 9.0
_BLANK_COST = 6.0
_PARTIAL_COST = 3.0
# Pictures are tried in widths so far apart, up to so many deviations from the gate's.
_WIDTH_STEP_MM = 0.35
_WIDTH_DEVIATIONS = 2.5
# One picture in a thousand was taken through another gate than its neighbours.
_OTHER_GATE_COST = 7.0
# A frame that the strip's end cuts by less than this still counts as whole.
_CUT_MM = 0.8
# What an end leaves of a picture shows from this length on, whatever the picture's own: else short
# formats would explain what long ones may not.
_LEAST_PART_MM = 1.0
_FRAME_COST = 2.0
# Strips are cut in gaps: room without frames at an end is rare but on a roll's first and last.
_EMPTY_END_MM = (4.0, 8.0)
_EMPTY_END_COST = (0.0, 3.0)
_EDGE_WEIGHT = 3.0
# Beside an edge that light crosses (so busy are the columns outside) a step is nearly always
# seen: one in fifty has none, natural logarithm.
_UNSEEN_COST = 4.0
_BUSY_OUTSIDE = (0.5, 0.9)
_STRUCK_DENSITY = 0.15
_LEAST_COHERENCE, _LEAST_SEAM = 0.35, 0.6
# Columns with less in them than this are base; what runs of so many millimetres are worth.
_BASE_BUSY = 0.03
_RUN_MM = (0.0, 0.4, 3.0, 40.0)
_RUN_AGAINST_PICTURE = (0.0, 0.5, 2.4, 6.0)
# What a bar of base from top to bottom, both of its edges straight, tells beyond its width: most
# gaps show as one, of pictures about one in a hundred has one (natural logarithm of the ratio).
_BAR_AGAINST_PICTURE = 4.0
# A glazing bar or a pole may be as narrow as a gap that blur fills.
_NARROW_AGAINST_PICTURE = 2.0
_RUN_FOR_GAP = (0.0, 0.5, 2.2, 4.0)
# Dark pictures have such runs nearly as often as gaps, which so much less are told by them.
_TOLD_IF_DARK = 0.4
SAME_PLACE_MM = 1.0
"""Spans of two solves whose ends differ by no more are one frame, told apart by its edges."""
# As the compiled loop counts them.
_KINDS = ("picture", "partial", "blank")


Scores = tuple[Row, Row, Row, Row]
"""Running sums of the picture's and the gap's score, and rise and fall, at columns."""


def span_scores(seen: Evidence, dark: bool = False) -> Scores:
    """Return running sums of the picture's and the gap's score, and rise and fall at columns.

    Scores are log odds a pixel: a column of base throughout speaks for a gap, but dark scenes
    have such columns too; a busy column in a gap needs a light leak. `dark` takes the strip for
    one of nights, stages or flashes, whose pictures are base for much of their length.
    """
    from scipy.ndimage import maximum_filter1d

    # Where light struck the rebate too, nothing tells a picture from the leader.
    struck = seen.rebate_density > _STRUCK_DENSITY
    busy = np.where(struck, 0.0, seen.busy)
    per_px = 1.0 / seen.px_per_mm
    picture = np.interp(busy, [0.0, 0.05, 0.2], [-0.5, -0.1, 1.0]) * per_px
    gap = np.interp(busy, [0.0, 0.03, 0.25], [0.7, 0.0, -4.0]) * per_px
    base = (busy < _BASE_BUSY) & ~struck & ~seen.outside
    picture, gap = _saturated(picture, gap, base, per_px, _TOLD_IF_DARK if dark else 1.0)
    for first, last in seen.bars:
        against = _NARROW_AGAINST_PICTURE if last - first < NARROW_PX else _BAR_AGAINST_PICTURE
        picture[first:last] -= against / (last - first)
    picture = np.where(seen.outside, -6.0 * per_px, np.where(struck, 0.0, picture))
    gap = np.where(seen.outside | struck, 0.0, gap)
    reach = max(2, round(0.5 * seen.px_per_mm))
    padded = np.pad(busy, reach, mode="edge")
    running = np.concatenate([[0.0], np.cumsum(padded)])
    means = (running[reach:] - running[:-reach]) / reach
    before, after = means[:-reach], means[reach:]
    rise = np.clip(after - before, -0.3, 1.0)
    # Pictures that overlap or touch, and gaps that light struck, show their edges as steps alone.
    seam = seen.seam > _LEAST_SEAM
    # Where all rows grow denser a picture begins, or ends where they grow thinner; else it may
    # be both.
    around = maximum_filter1d(np.abs(seen.step), 2 * TURNED_PX + 1)
    both = np.where(seam, np.maximum(seen.seam - around, 0.0), 0.0)
    step = np.where(np.abs(seen.step) > _LEAST_COHERENCE, seen.step, 0.0)
    unseen = _UNSEEN_COST / _EDGE_WEIGHT * ((np.abs(seen.step) < _LEAST_COHERENCE) & ~seam)
    return (
        np.concatenate([[0.0], np.cumsum(picture)]),
        np.concatenate([[0.0], np.cumsum(gap)]),
        np.maximum(np.maximum(rise, step), both)
        - unseen * np.interp(before, _BUSY_OUTSIDE, (0.0, 1.0)),
        np.maximum(np.maximum(-rise, -step), both)
        - unseen * np.interp(after, _BUSY_OUTSIDE, (0.0, 1.0)),
    )


@dataclass(frozen=True)
class Span:
    """A frame as solved: from `start` to `end`, columns of the view; its kind."""

    start: int
    end: int
    kind: str

    def within(self, apart: float, other: "Span") -> bool:
        """Tell whether both of its ends lie no farther than `apart` columns from another's."""
        return max(abs(self.start - other.start), abs(self.end - other.end)) <= apart


def _saturated(
    picture: Row, gap: Row, base: Mask, mm_per_px: float, told: float
) -> tuple[Row, Row]:
    """Return the scores with those of each run of base columns as its length deserves.

    Columns of one black wall tell no more than the first few of them. `told` is how much of what
    they tell usual pictures from gaps holds.
    """
    ends = np.flatnonzero(np.diff(np.concatenate([[0], base.astype(np.int8), [0]])))
    picture, gap = picture.copy(), gap.copy()
    for first, last in zip(ends[::2], ends[1::2], strict=True):
        length_mm = (last - first) * mm_per_px
        against = np.interp(length_mm, _RUN_MM, _RUN_AGAINST_PICTURE)
        fits = np.interp(length_mm, _RUN_MM, _RUN_FOR_GAP)
        picture[first:last] = (fits - told * (fits + against)) / (last - first)
        gap[first:last] = fits / (last - first)
    return picture, gap


def solve_spans(
    seen: Evidence,
    habit: GateHabit,
    others: Sequence[FrameFormat] = (),
    deep_overlaps: bool = False,
    scores: Scores | None = None,
    barred: Span | None = None,
) -> tuple[float, list[Span]]:
    """Return the best score and spans of frames for one image length, by dynamic programming.

    Parameters
    ----------
    seen
        The strip's evidence.
    habit
        What is known of the camera.
    others
        Formats that some of the frames may have instead: a mask was put in, or the gate switched.
    deep_overlaps
        Whether pictures may lie over each other for most of their length.
    scores
        Those of the evidence, where they are known.
    barred
        A frame that is not to be, nor any within `SAME_PLACE_MM` of it.
    """
    from pipeline.frame.kernel import best_ends

    ppmm = seen.px_per_mm
    size = len(seen.busy)
    width = round(habit.length_mm * ppmm)
    widths, width_cost = _widths(habit, ppmm)
    own = len(widths)
    for form in others:
        foreign, foreign_cost = _foreign_widths(form, ppmm)
        widths, width_cost = np.append(widths, foreign), np.append(width_cost, foreign_cost)
    pitch = width + round(habit.gap_mm * ppmm)
    picture, gap, rise, fall = scores or span_scores(seen)
    steps, gap_cost = _gaps(habit, ppmm, deep_overlaps)
    lead_cost = _empty_cost(np.arange(size + 1), width, habit, ppmm)
    near = round(SAME_PLACE_MM * ppmm)
    off_limits = (0, 0, -1) if barred is None else (barred.start, barred.end, near)
    best = np.full(size + 1, -np.inf)
    came, starts, kinds = (np.full(size + 1, -1, np.int64) for _ in range(3))
    best_ends(
        picture, gap, rise, fall, lead_cost, steps, gap_cost, widths.astype(np.int64), width_cost,
        np.array([width, pitch, round(_LEAST_PART_MM * ppmm), width - round(_CUT_MM * ppmm), own]),
        np.array([_LONG_GAP_COST, _FRAME_COST, _BLANK_COST, _PARTIAL_COST, _EDGE_WEIGHT]),
        np.array(off_limits), best, came, starts, kinds,
    )  # fmt: skip
    totals = best + gap[size] - gap - _empty_cost(np.arange(size, -1, -1), width, habit, ppmm)
    end = int(np.argmax(totals))
    bare = float(gap[size] - lead_cost[size])
    if totals[end] <= bare:
        return bare, []
    spans: list[Span] = []
    at = end
    while at >= 0 and kinds[at] >= 0:
        spans.append(Span(int(starts[at]), at, _KINDS[kinds[at]]))
        at = int(came[at])
    return float(totals[end]), spans[::-1]


def _gaps(habit: GateHabit, ppmm: float, deep: bool) -> tuple[NDArray[np.intp], Row]:
    """Return gaps that are tried, in columns, overlaps below 0, and what each costs."""
    most_mm = max(_USUAL_OVERLAP_MM, _DEEPEST_OVERLAP * habit.length_mm if deep else 0.0)
    widest_mm = habit.gap_mm + _USUAL_DEVIATIONS * habit.gap_spread_mm
    widest_mm = max(_LARGEST_USUAL_GAP_MM, widest_mm)
    steps = np.arange(-round(most_mm * ppmm), round(widest_mm * ppmm) + 1)
    off = (steps / ppmm - habit.gap_mm) / habit.gap_spread_mm
    cost = np.where(np.abs(off) < 3.5, off * off / 2, 6.125 + (np.abs(off) - 3.5))
    cost = np.minimum(cost, _LONG_GAP_COST - 0.5)
    cost += np.where(steps < -_USUAL_OVERLAP_MM * ppmm, _DEEP_OVERLAP_COST, 0.0)
    return steps, cost


def _widths(habit: GateHabit, ppmm: float) -> tuple[NDArray[np.intp], Row]:
    """Return widths that a picture may have, in columns, and what each costs."""
    step = _WIDTH_STEP_MM
    reach = int(_WIDTH_DEVIATIONS * habit.length_spread_mm / step)
    off_mm = step * np.arange(-reach, reach + 1)
    widths = np.rint((habit.length_mm + off_mm) * ppmm).astype(np.intp)
    cost: Row = (off_mm / habit.length_spread_mm) ** 2 / 2
    return widths, cost


def _foreign_widths(form: FrameFormat, ppmm: float) -> tuple[NDArray[np.intp], Row]:
    """Return widths of the gates of another format, in columns, and what each costs."""
    shortest, longest = form.gates_mm
    gates_mm = np.linspace(shortest, longest, 1 + math.ceil((longest - shortest) / _WIDTH_STEP_MM))
    cost = np.full(len(gates_mm), _OTHER_GATE_COST + form.seldom + math.log(len(gates_mm)))
    return np.rint(gates_mm * ppmm).astype(np.intp), cost


def _empty_cost(empty_px: NDArray[np.intp], width: int, habit: GateHabit, ppmm: float) -> Row:
    """Return the cost of film without frames at a strip's end: rather a blank where one fits."""
    pitch = width + habit.gap_mm * ppmm
    # Half a gap at the cut is enough.
    blanks = np.floor((empty_px + 0.7 * habit.gap_mm * ppmm) / pitch)
    room = np.interp((empty_px - blanks * pitch) / ppmm, _EMPTY_END_MM, _EMPTY_END_COST)
    cost: Row = (_BLANK_COST + 1.0) * blanks + room
    return cost
