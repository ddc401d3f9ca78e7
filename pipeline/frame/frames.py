"""Frames of a strip: where each picture begins and ends, all of a strip solved together."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline.frame.columns import Evidence, spot_share
from pipeline.frame.gate import GateHabit, usual_habits
from pipeline.frame.gate_fit import GateRectangle, fit_gates
from pipeline.frame.spans import SAME_PLACE_MM, Scores, Span, solve_spans, span_scores
from pipeline.kinds import Float64
from pipeline.profile import FrameFormat

# Frames of this confidence and more count as clear; the others are shown to the user.
CLEAR = 0.9
_FOGGED_DENSITY = 0.6
# A picture that light struck on less of its length than this is one still.
_FOGGED_SHARE = 0.8
# A night sky has stars: specks on more of the picture than this, and than dust elsewhere covers.
_LEAST_SPECKS = 0.0015
_SPECKS_OF_DUST = 6.0
_MOST_CONFIDENCE = 0.99
# Beyond such odds nothing is left of the other.
_MOST_LOG_ODDS = 50.0
# One strip in fifty is of dark pictures (natural logarithm; no source, 3 to 5 do as well).
_DARK_COST = 4.0
FOREIGN_FORMAT = 4.0
"""By how much (natural logarithm) a roll's other formats are less likely than its own."""


@dataclass(frozen=True)
class Frame:
    """One frame in a strip's view: four sides in view pixels, turned about its middle.

    `start`, `end`, `top`, `bottom` bound it before it is turned by `tilt` (a slope, clockwise
    positive), each at the middle of its side; `leans` are the slopes of these four sides off the
    turned rectangle's; `kind` is 'picture', 'blank', 'fogged' or 'partial'; `confidence` 0 to 1
    is the probability that no corner is off by more than 0.25 mm.
    """

    start: float
    end: float
    top: float
    bottom: float
    kind: str
    confidence: float
    tilt: float = 0.0
    leans: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)

    def corners(self) -> Float64:
        """Return the corners (4, 2) in view pixels: left top, right top, right and left bottom."""
        x, y = (self.end - self.start) / 2, (self.bottom - self.top) / 2
        left, right, top, bottom = self.leans
        box = np.array(
            [
                _crossing(-x, left, -y, top),
                _crossing(x, right, -y, top),
                _crossing(x, right, y, bottom),
                _crossing(-x, left, y, bottom),
            ]
        )
        along = np.array([1.0, self.tilt]) / np.hypot(1.0, self.tilt)
        turned = box[:, :1] * along + box[:, 1:] * np.array([-along[1], along[0]])
        middle = np.array([self.start + self.end, self.top + self.bottom]) / 2
        corners: Float64 = middle + turned
        return corners


def _crossing(x: float, lean: float, y: float, rise: float) -> tuple[float, float]:
    """Return where a side through (x, 0) meets one through (0, y), by how they turn."""
    across = (x - lean * y) / (1.0 + lean * rise)
    return across, y + rise * across


@dataclass(frozen=True)
class FoundFrames:
    """The format that explains a strip best, its frames from left to right, and their habit.

    `likelihoods` are natural logarithms of how likely each format tried makes what is seen.
    """

    format: FrameFormat
    frames: tuple[Frame, ...]
    habit: GateHabit
    score: float
    likelihoods: Mapping[str, float] = field(default_factory=dict)


def _kind(span: Span, seen: Evidence) -> str:
    """Return what a frame holds: a picture, part of one, nothing, or light all over."""
    rim = (span.end - span.start) // 20
    inner = slice(span.start + rim, max(span.start + 1, span.end - rim))
    deep = 0.1 * (seen.bottom - seen.top)
    rows = slice(max(0, round(seen.top + deep)), round(seen.bottom - deep))
    struck = np.minimum(seen.rebate_density, seen.least_density)[inner]
    if np.quantile(struck, 1.0 - _FOGGED_SHARE) > _FOGGED_DENSITY:
        return "fogged"
    field = seen.flat[rows, inner]
    specks = spot_share(field, seen.noise, seen.px_per_mm)
    few = specks < max(_LEAST_SPECKS, _SPECKS_OF_DUST * seen.specks)
    if few and (np.percentile(field, 99) < 0.05 or (field > 0.03).mean() < 0.004):
        return "blank"
    return "partial" if span.kind == "partial" else "picture"


def find_frames(
    seen: Evidence,
    formats: tuple[FrameFormat, ...],
    habits: Mapping[str, GateHabit | None] | None = None,
) -> FoundFrames:
    """Return the frames of a strip.

    Parameters
    ----------
    seen
        The strip's evidence.
    formats
        Formats to choose from; one where the user gave it.
    habits
        What the rest of the roll shows of its camera, by format, None where it shows the format
        alone; a format that it does not show is less likely. Without it, what the strip's own
        clear frames show of the camera helps to place the others.
    """
    known = habits or {}
    if not formats:
        raise ValueError("no format to choose from")
    lit, dark = (
        [_solved(seen, form, formats, known, scores, cost) for form in formats]
        for scores, cost in ((span_scores(seen), 0.0), (span_scores(seen, dark=True), _DARK_COST))
    )
    rival, best = sorted((max(way, key=_score) for way in (lit, dark)), key=_score)
    likelihoods = {
        one.form.name: max(one.score, two.score) for one, two in zip(lit, dark, strict=True)
    }
    likely = 1.0 / sum(math.exp(other - best.score) for other in likelihoods.values())
    chosen, habit, score, spans = best.form, best.habit, best.score, best.spans
    others = _others(chosen, formats)
    if known.get(chosen.name) is None:
        habit = fit_gates(seen, spans, habit).habit
        score, spans = solve_spans(seen, habit, others, deep_overlaps=True, scores=best.scores)
    fit = fit_gates(seen, spans, habit)
    shares = _shares(seen, habit, others, (score, spans), best.scores)
    same_mm = SAME_PLACE_MM * seen.px_per_mm
    agreed = 1.0 / (1.0 + math.exp(rival.score - best.score))
    shares = [
        share if any(span.within(same_mm, other) for other in rival.spans) else agreed * share
        for share, span in zip(shares, spans, strict=True)
    ]
    frames = tuple(
        _frame(span, rectangle, fit.tilt, likely * share, seen)
        for span, rectangle, share in zip(spans, fit.rectangles, shares, strict=True)
    )
    plain = min(formats, key=lambda form: form.seldom)
    if chosen is not plain and all(frame.kind == "blank" for frame in frames):
        # Film without pictures fits any format.
        return find_frames(seen, (plain,), habits)
    kept = _without_empty_ends(frames, fit.habit.length_mm * seen.px_per_mm)
    return FoundFrames(chosen, kept, fit.habit, score, likelihoods)


def _others(form: FrameFormat, formats: tuple[FrameFormat, ...]) -> tuple[FrameFormat, ...]:
    return tuple(other for other in formats if other is not form)


@dataclass(frozen=True)
class _Solved:
    """How well a format explains a strip, by which gate, spans and scores of its columns."""

    score: float
    form: FrameFormat
    habit: GateHabit
    spans: list[Span]
    scores: Scores


def _score(solved: _Solved) -> float:
    return solved.score


def _solved(
    seen: Evidence,
    form: FrameFormat,
    formats: tuple[FrameFormat, ...],
    known: Mapping[str, GateHabit | None],
    scores: Scores,
    cost: float,
) -> _Solved:
    """Return how a format explains a strip by scores that are so unlikely."""
    own = known.get(form.name)
    foreign = FOREIGN_FORMAT if known and form.name not in known else 0.0
    tried = (own,) if own else usual_habits(form)
    habit = tried[0]
    if len(tried) > 1:
        habit = max(tried, key=lambda one: solve_spans(seen, one, scores=scores)[0])
    others = _others(form, formats)
    score, spans = solve_spans(seen, habit, others, deep_overlaps=True, scores=scores)
    score -= form.seldom + foreign + math.log(len(tried)) + cost
    return _Solved(score, form, habit, spans, scores)


def _shares(
    seen: Evidence,
    habit: GateHabit,
    others: tuple[FrameFormat, ...],
    solved: tuple[float, list[Span]],
    scores: Scores,
) -> list[float]:
    """Return the probability of each span against the likeliest frames without it.

    A tree in front of the sky may be the gap, what seems a picture of another gate two that lie
    over each other.
    """
    score, spans = solved
    rivals = [
        solve_spans(seen, habit, others, deep_overlaps=True, scores=scores, barred=span)[0]
        for span in spans
    ]
    return [1.0 / (1.0 + math.exp(min(rival - score, _MOST_LOG_ODDS))) for rival in rivals]


def _frame(span: Span, place: GateRectangle, tilt: float, likely: float, seen: Evidence) -> Frame:
    """Return a frame as placed; `likely` is the probability of the strip's format."""
    kind = _kind(span, seen)
    surety = min(likely * place.surety(seen.px_per_mm), _MOST_CONFIDENCE)
    sides = (place.start, place.end, place.top, place.bottom)
    return Frame(*sides, kind, round(surety, 3), tilt, place.leans)


def _without_empty_ends(frames: tuple[Frame, ...], whole_px: float) -> tuple[Frame, ...]:
    """Return frames less partial ones that hold nothing and a light-struck leader or tail."""
    longest = max((frame.end - frame.start for frame in frames), default=0.0)
    least = 0.9 * min(longest, whole_px)
    kept = [frame for frame in frames if frame.kind != "blank" or frame.end - frame.start >= least]
    while kept and kept[0].kind == "fogged":
        kept.pop(0)
    while kept and kept[-1].kind == "fogged":
        kept.pop()
    return tuple(kept)
