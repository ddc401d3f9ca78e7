"""The four edges of every span, measured in pixels as coarse as the scan is soft."""

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from pipeline.frame.bridge import BLURRED_PX
from pipeline.frame.columns import Evidence
from pipeline.frame.gate import EdgePlace, GateHabit, find_edge
from pipeline.frame.reach import rows_reached
from pipeline.frame.slopes import FrameEdges
from pipeline.frame.spans import Span
from pipeline.kinds import Mask, Plane, Row

# Rim of a picture that is left out where its other edges are measured: gates have round corners.
_RIM_MM = 1.2
_SHORTEST_SEEN_MM = 3.0
# Film that is bowed carries the gate's upper and lower edge so far from the band of the strip.
_LEAST_DEEP_MM = 0.8
# Between a view's end and a gate's edge there is at least so much film.
_END_PX = 2.0
# Beside a bar an edge is told where at least so much base shows between them.
_BESIDE_BAR_PX = 1
# Edges are placed by the few pixels around them, which the blur of a sharp scan does not leave.
_MOST_COARSE = 4
# How blurred an edge is tells by so many pixels on either side of it, where pictures take so much
# light; a normal blur comes to this share of it one standard deviation inside the edge. What a
# scene does beside an edge makes it seem softer: the sharper ones count.
_AROUND_PX, _LEAST_TAKEN, _ONE_DEVIATION = 10, 0.1, 0.8413
_SHARPER = 0.3


def measured_edges(
    seen: Evidence, spans: Sequence[Span], habit: GateHabit
) -> tuple[list[FrameEdges], int]:
    """Return the edges of each span, and how many pixels were taken as one.

    Where a scan is soft, means of pixels are as sharp as a sharp scan's are.
    """
    coarse, needed = 0, 1
    while needed > coarse:
        # Blur that goes far beyond what is looked at seems less than it is.
        coarse = needed
        edges = [_edges(seen, span, habit, coarse) for span in spans]
        needed = min(_MOST_COARSE, round(coarse * _softness(seen, spans, edges, coarse)))
    return edges, coarse


def _softness(
    seen: Evidence, spans: Sequence[Span], edges: Sequence[FrameEdges], coarse: int
) -> float:
    """Return the blur (standard deviation, coarse pixels) of a strip's sharper edges, 0 unknown."""
    level = coarsened(seen.flat[upright_rows(seen)], coarse).mean(axis=0)
    told = []
    for span, four in zip(spans, edges, strict=True):
        upright = coarsened(seen.flat[:, span.start : span.end].T, coarse).mean(axis=0)
        told += [
            _blur_of(level, four.start, False, coarse),
            _blur_of(level, four.end, True, coarse),
            _blur_of(upright, four.top, False, coarse),
            _blur_of(upright, four.bottom, True, coarse),
        ]
    blurs = [blur for blur in told if blur is not None]
    return float(np.quantile(blurs, _SHARPER)) if blurs else 0.0


def _blur_of(density: Row, edge: EdgePlace | None, ends: bool, coarse: int) -> float | None:
    """Return the blur of an edge by how fast light falls inside it, None where it doesn't tell.

    `ends` tells that the picture ends there. Outside, light that spreads in the film does the
    same as blur.
    """
    if edge is None:
        return None
    place = (edge.place + 0.5) / coarse - 0.5
    if ends:
        density, place = density[::-1], len(density) - 1 - place
    first = round(place) - _AROUND_PX
    if first < 0 or first + 2 * _AROUND_PX + 1 > len(density):
        return None
    taken = 1.0 - 10.0 ** -density[first : first + 2 * _AROUND_PX + 1]
    whole = float(np.median(taken[_AROUND_PX + _AROUND_PX // 2 :]))
    if whole < _LEAST_TAKEN or taken[0] > whole / 2:
        return None
    half, most = (_crossing(taken, share * whole) for share in (0.5, _ONE_DEVIATION))
    return most - half


def _crossing(values: Row, level: float) -> float:
    """Return where values first come to a level that the first of them lies below."""
    index = int(np.argmax(values >= level))
    before, after = values[index - 1], values[index]
    return index - float((after - level) / (after - before))


def upright_rows(seen: Evidence) -> slice:
    """Return the rows by which upright edges are told."""
    rim = round(_RIM_MM * seen.px_per_mm)
    return slice(max(0, round(seen.top) + rim), max(1, round(seen.bottom) - rim + 1))


def coarsened(density: Plane, count: int) -> Plane:
    """Return density (rows, columns) in means of so many columns; what is left over is cut off.

    Means are of light, which is what blur mixes.
    """
    if count == 1:
        return density
    columns = density.shape[1] // count
    light = np.exp(np.float32(-math.log(10.0)) * density[:, : columns * count])
    size = (columns, density.shape[0])
    mean = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    return np.asarray(-np.log10(np.maximum(mean, np.float32(1e-4))), np.float32)


def _edges(seen: Evidence, span: Span, habit: GateHabit, coarse: int) -> FrameEdges:
    if span.kind == "blank" or span.end - span.start < _SHORTEST_SEEN_MM * seen.px_per_mm:
        return FrameEdges()
    ppmm, noise = seen.px_per_mm, seen.noise
    height, width = seen.flat.shape
    rim = round(_RIM_MM * ppmm)
    columns = slice(max(0, span.start + rim), max(1, min(width, span.end) - rim))
    reach = (0.5 + 2.0 * habit.length_spread_mm) * ppmm
    deep = max(_LEAST_DEEP_MM, 0.35 + 2.0 * habit.height_spread_mm) * ppmm
    level, upright = seen.flat[upright_rows(seen)], seen.flat[:, columns].T
    gap_px = habit.gap_mm * ppmm
    start = _clear_of_end(edge_near(level, span.start - 0.5, reach, noise, coarse), coarse)
    before = _under_bar(start, seen.covered, gap_px)
    end = edge_near(level[:, ::-1], width - 0.5 - span.end, reach, noise, coarse)
    end = _clear_of_end(end, coarse)
    after = _under_bar(end, seen.covered[::-1], gap_px)
    hidden = before, after and (width - 1 - after[0], after[1])
    start = None if before else start
    end = None if after else _flipped(end, width)
    top = edge_near(upright, seen.top, deep, noise, coarse)
    bottom = edge_near(upright[:, ::-1], height - 1 - seen.bottom, deep, noise, coarse)
    bottom = _flipped(bottom, height)
    reached = rows_reached(upright, (top, bottom), (seen.top, seen.bottom), deep, noise)
    return FrameEdges(start, end, top, bottom, reached, hidden)


def edge_near(
    density: Plane, near: float, reach: float, noise: float, coarse: int
) -> EdgePlace | None:
    """Return an edge as told in means of so many columns, in columns."""
    if coarse == 1:
        return find_edge(density, near, reach, noise)
    near, noise = (near + 0.5) / coarse - 0.5, noise / math.sqrt(coarse)
    edge = find_edge(coarsened(density, coarse), near, reach / coarse, noise)
    return None if edge is None else edge.finer(coarse)


def _clear_of_end(edge: EdgePlace | None, coarse: int) -> EdgePlace | None:
    """Return the edge unless it is the film's own end: a gate's has film on both sides."""
    least = _END_PX * coarse
    return None if edge is None or edge.place < least else edge


def _under_bar(edge: EdgePlace | None, covered: Mask, gap_px: float) -> tuple[float, float] | None:
    """Return about where a picture begins under a holder's bar, and how far it may lie off.

    Where the bar ends tells of no gate but that the picture goes on there. The next one may do so
    on the other side, with the gap between them. None where no bar covers the edge.
    """
    if edge is None:
        return None
    place = math.floor(edge.place)
    near = np.flatnonzero(covered[max(0, place - _BESIDE_BAR_PX) : place + 2])
    if not len(near):
        return None
    last = max(0, place - _BESIDE_BAR_PX) + int(near[-1])
    bare = np.flatnonzero(~covered[:last])
    first = int(bare[-1]) + 1 if len(bare) else 0
    end = last + 0.5 - BLURRED_PX
    deepest = end - (first - 0.5 + BLURRED_PX) - gap_px
    if deepest <= 0.0:
        # The gap may well show on the other side: the next picture tells more.
        return end, gap_px
    return end - deepest / 2, max(1.0, deepest / math.sqrt(12.0))


def _flipped(edge: EdgePlace | None, size: int) -> EdgePlace | None:
    if edge is None:
        return None
    return replace(edge, place=size - 1 - edge.place, tilt=-edge.tilt)
