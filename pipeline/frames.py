"""Frames of a strip: where each picture begins and ends, all of a strip solved together."""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.evidence import Evidence
from pipeline.film_format import FrameFormat

Light = NDArray[np.float32]
Row = NDArray[np.float64]

_LEAST_OVERLAP_MM = -1.5
_LARGEST_USUAL_GAP_MM = 8.0
_LONG_GAP_COST = 9.0
_BLANK_COST = 6.0
_PARTIAL_COST = 3.0
_FRAME_COST = 2.0
_EDGE_WEIGHT = 3.0
_STRUCK_DENSITY = 0.15
_FOGGED_DENSITY = 0.6


@dataclass(frozen=True)
class Frame:
    """One frame in a strip's view, in view pixels along (`start`, `end`) and across the film.

    `kind` is 'picture', 'blank', 'fogged' or 'partial'; `confidence` 0 to 1.
    """

    start: float
    end: float
    top: float
    bottom: float
    kind: str
    confidence: float


@dataclass(frozen=True)
class GapPrior:
    """What gaps a roll is known to have: millimetres."""

    usual_mm: float
    spread_mm: float


def _scores(seen: Evidence) -> tuple[Row, Row, Row, Row]:
    """Return running sums of the picture's and the gap's score, and rise and fall at columns.

    Scores are log odds a pixel: a column of base throughout speaks for a gap, but dark scenes
    have such columns too; a busy column in a gap needs a light leak.
    """
    # Where light struck the rebate too, nothing tells a picture from the leader.
    struck = seen.rebate_density > _STRUCK_DENSITY
    busy = np.where(struck, 0.0, seen.busy)
    per_px = 1.0 / seen.px_per_mm
    picture = np.interp(busy, [0.0, 0.05, 0.2], [-0.5, -0.1, 1.0]) * per_px
    gap = np.interp(busy, [0.0, 0.03, 0.25], [0.7, 0.0, -4.0]) * per_px
    picture = np.where(seen.outside, -6.0 * per_px, np.where(struck, 0.0, picture))
    gap = np.where(seen.outside | struck, 0.0, gap)
    reach = max(2, round(0.5 * seen.px_per_mm))
    padded = np.pad(busy, reach, mode="edge")
    running = np.concatenate([[0.0], np.cumsum(padded)])
    before = (running[reach : reach + len(busy) + 1] - running[: len(busy) + 1]) / reach
    after = (
        running[2 * reach : 2 * reach + len(busy) + 1] - running[reach : reach + len(busy) + 1]
    ) / reach
    rise = np.clip(after - before, -0.3, 1.0)
    return (
        np.concatenate([[0.0], np.cumsum(picture)]),
        np.concatenate([[0.0], np.cumsum(gap)]),
        rise,
        -rise,
    )


@dataclass(frozen=True)
class _Span:
    start: int
    end: int
    kind: str


def _solve(seen: Evidence, length_mm: float, prior: GapPrior) -> tuple[float, list[_Span]]:
    """Return the best score and spans of frames for one image length, by dynamic programming."""
    ppmm = seen.px_per_mm
    size = len(seen.busy)
    width = round(length_mm * ppmm)
    picture, gap, rise, fall = _scores(seen)
    least, largest = round(_LEAST_OVERLAP_MM * ppmm), round(_LARGEST_USUAL_GAP_MM * ppmm)
    steps = np.arange(least, largest + 1)
    off = (steps / ppmm - prior.usual_mm) / prior.spread_mm
    gap_cost = np.where(np.abs(off) < 3.5, off * off / 2, 6.125 + (np.abs(off) - 3.5))
    gap_cost = np.minimum(gap_cost, _LONG_GAP_COST - 0.5) + np.where(steps < 0, 2.0, 0.0)
    best = np.full(size + 1, -np.inf)
    origin: list[tuple[int, _Span] | None] = [None] * (size + 1)
    far_best, far_at = -np.inf, -1
    lead_cost = _empty_cost(np.arange(size + 1), width, prior, ppmm)

    def before(start: int) -> tuple[float, int]:
        """Return the best score of all up to a frame's start, and where the frame before ends."""
        score, came = float(gap[start] - lead_cost[start]), -1
        first = start - largest
        ends = start - steps
        usable = (ends >= 0) & (ends <= size)
        ends = ends[usable]
        clear = np.where(ends < start, gap[start] - gap[np.minimum(ends, start)], 0.0)
        totals = best[ends] + clear - gap_cost[usable]
        if len(totals):
            index = int(np.argmax(totals))
            if totals[index] > score:
                score, came = float(totals[index]), int(ends[index])
        if first > 0 and far_best + gap[start] - _LONG_GAP_COST > score:
            score, came = far_best + float(gap[start]) - _LONG_GAP_COST, far_at
        return score, came

    def offer(end: int, score: float, came: int, span: _Span) -> None:
        if score > best[end]:
            best[end] = score
            origin[end] = (came, span)

    least_part = round(0.12 * width)
    for part in range(least_part, min(width - round(0.8 * ppmm), size)):
        score = picture[part] - _PARTIAL_COST - _FRAME_COST + _EDGE_WEIGHT * fall[part]
        offer(part, float(score), -1, _Span(0, part, "partial"))
    for start in range(size):
        passed = start - largest - 1
        if passed >= 0 and best[passed] - gap[passed] > far_best:
            far_best, far_at = float(best[passed] - gap[passed]), passed
        score, came = before(start)
        if not np.isfinite(score):
            continue
        end = start + width
        if end <= size:
            inside = float(picture[end] - picture[start])
            edges = _EDGE_WEIGHT * float(rise[start] + fall[end])
            offer(end, score + inside + edges - _FRAME_COST, came, _Span(start, end, "picture"))
            offer(
                end,
                score + float(gap[end] - gap[start]) - _BLANK_COST,
                came,
                _Span(start, end, "blank"),
            )
        elif size - start >= least_part and size - start < width - round(0.8 * ppmm):
            inside = float(picture[size] - picture[start])
            total = score + inside + _EDGE_WEIGHT * float(rise[start]) - _PARTIAL_COST - _FRAME_COST
            offer(size, total, came, _Span(start, size, "partial"))
        elif size - start >= width - round(0.8 * ppmm):
            inside = float(picture[size] - picture[start])
            edges = _EDGE_WEIGHT * float(rise[start])
            offer(
                size,
                score + inside + edges - _FRAME_COST - 1.0,
                came,
                _Span(start, size, "picture"),
            )
    totals = best + gap[size] - gap - _empty_cost(np.arange(size, -1, -1), width, prior, ppmm)
    end = int(np.argmax(totals))
    if not np.isfinite(totals[end]):
        return float(gap[size]), []
    spans: list[_Span] = []
    at: int = end
    while at >= 0 and origin[at] is not None:
        came, span = origin[at]  # type: ignore[misc]
        spans.append(span)
        at = came
    return float(totals[end]), spans[::-1]


def _empty_cost(empty_px: NDArray[np.intp], width: int, prior: GapPrior, ppmm: float) -> Row:
    """Return the cost of film without frames at a strip's end: rather a blank where one fits."""
    pitch = width + prior.usual_mm * ppmm
    cost: Row = (_BLANK_COST + 1.0) * np.floor(np.maximum(empty_px - 0.5 * ppmm, 0.0) / pitch)
    return cost


def _edge(seen: Evidence, above: Light, at: float, inward: int) -> tuple[float, float]:
    """Return a frame edge's place to a fraction of a pixel, and its clearness 0 to 1.

    `at` is the edge between pixels (in column edges), `inward` 1 where the picture lies to the
    right. In each row the light passes half-way between base and picture at the edge.
    """
    ppmm = seen.px_per_mm
    reach = round(0.8 * ppmm)
    centre = round(at - 0.5)
    columns = np.arange(centre - reach, centre + reach + 1)
    if columns[0] < 0 or columns[-1] >= above.shape[1]:
        return at, 0.0
    rim = 0.08 * (seen.bottom - seen.top)
    rows = slice(max(0, round(seen.top + rim)), round(seen.bottom - rim))
    light = 10.0 ** -above[rows, columns[0] : columns[-1] + 1].mean(axis=2).astype(float)
    if inward < 0:
        light = light[:, ::-1]
    outer, inner = round(0.35 * ppmm), round(0.35 * ppmm)
    base = np.median(light[:, :outer], axis=1)
    picture = np.median(light[:, -inner:], axis=1)
    clear = (base - picture > 0.08) & (np.abs(base - 1.0) < 0.15)
    clearness = float(min(1.0, clear.mean() / 0.25))
    if clear.sum() < max(4, 0.04 * len(clear)):
        return at, 0.0
    fall = (light[clear] - picture[clear, None]) / (base[clear] - picture[clear])[:, None]
    # The area under the step is where the step stands, whatever the blur.
    place = np.clip(fall, -0.2, 1.2).mean(axis=0).sum()
    left = columns[0] - 0.5 + place if inward > 0 else columns[-1] + 0.5 - place
    return float(left) + 0.5, clearness


def _refined(span: _Span, seen: Evidence, above: Light, length_mm: float) -> Frame:
    """Return a span with its edges placed by the picture itself, kind and confidence."""
    size = above.shape[1]
    width = length_mm * seen.px_per_mm
    start, left = _edge(seen, above, span.start, 1)
    end, right = _edge(seen, above, span.end, -1)
    if span.kind == "partial":
        start, left = (0.0, 0.5) if span.start == 0 else (start, left)
        end, right = (float(size), 0.5) if span.end == size else (end, right)
    elif abs((end - start) - width) > 0.5 * seen.px_per_mm:
        if left >= right and left > 0.2:
            end = start + width
        elif right > 0.2:
            start = end - width
        else:
            start, end = float(span.start), float(span.start) + width
        left, right = min(left, 0.6), min(right, 0.6)
    elif left < 0.2 <= right:
        start = end - width
    elif right < 0.2 <= left:
        end = start + width
    kind = _kind(span, seen, above)
    if kind == "blank":
        confidence = 0.7
    else:
        confidence = 0.45 + 0.27 * (left + right)
        if kind == "partial":
            confidence = min(confidence, 0.75)
    return Frame(
        start - 0.5, end - 0.5, seen.top, seen.bottom, kind, round(min(confidence, 0.99), 3)
    )


def _kind(span: _Span, seen: Evidence, above: Light) -> str:
    """Return what a frame holds: a picture, part of one, nothing, or light all over."""
    inner = slice(
        span.start + (span.end - span.start) // 20,
        max(span.start + 1, span.end - (span.end - span.start) // 20),
    )
    rows = slice(
        max(0, round(seen.top + 0.1 * (seen.bottom - seen.top))),
        round(seen.bottom - 0.1 * (seen.bottom - seen.top)),
    )
    struck = np.minimum(seen.rebate_density, seen.least_density)[inner]
    if np.median(struck) > _FOGGED_DENSITY:
        return "fogged"
    field = above[rows, inner].mean(axis=2)
    if np.percentile(field, 99) < 0.05 or (field > 0.03).mean() < 0.004:
        return "blank"
    return "partial" if span.kind == "partial" else "picture"


def find_frames(
    above: Light, seen: Evidence, formats: tuple[FrameFormat, ...], prior: GapPrior | None = None
) -> tuple[FrameFormat, tuple[Frame, ...], float]:
    """Return the format that explains a strip best, its frames from left to right, and the score.

    Parameters
    ----------
    above
        Density above base (h, w, 3) of the strip's view.
    seen
        Its evidence.
    formats
        Formats to choose from; one where the user gave it.
    prior
        The roll's gaps where they are known, else the film's usual ones.
    """
    best: tuple[float, FrameFormat, list[_Span]] | None = None
    for entry in formats:
        gaps = prior or GapPrior(entry.film.usual_gap_mm, entry.film.gap_spread_mm)
        score, spans = _solve(seen, entry.image_along_mm, gaps)
        if best is None or score > best[0]:
            best = (score, entry, spans)
    if best is None:
        raise ValueError("no format to choose from")
    score, chosen, spans = best
    frames = tuple(_refined(span, seen, above, chosen.image_along_mm) for span in spans)
    return chosen, _without_empty_ends(frames), score


def _without_empty_ends(frames: tuple[Frame, ...]) -> tuple[Frame, ...]:
    """Return frames less partial ones that hold nothing and a light-struck leader or tail."""
    kept = [
        frame
        for frame in frames
        if frame.kind != "blank" or frame.end - frame.start >= 0.9 * _longest(frames)
    ]
    while kept and kept[0].kind == "fogged":
        kept.pop(0)
    while kept and kept[-1].kind == "fogged":
        kept.pop()
    return tuple(kept)


def _longest(frames: tuple[Frame, ...]) -> float:
    return max(frame.end - frame.start for frame in frames)


def gaps_mm(frames: tuple[Frame, ...], px_per_mm: float) -> list[float]:
    """Return the gaps between neighbouring frames whose edges are clear."""
    return [
        (after.start - before.end) / px_per_mm
        for before, after in itertools.pairwise(frames)
        if min(before.confidence, after.confidence) > 0.85
    ]
