"""A step wedge in a picture of densities: found by itself, or by its corners, and read."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.chart.chart import middle_mean
from pipeline.chart.wedge_edges import LEAST_STEP_PX, LINES_PX, Edges, find_edges
from pipeline.chart.wedge_row import LEAST_BAND_PX, Row, angles_of, profile_of, row_at
from pipeline.kinds import Float64, Picture

LEAST_NAMED, LEAST_FOUND = 4, 7
SURE = 0.8
# Part of a step that is read, along the wedge and across it.
_ALONG, _ACROSS = 0.5, 0.7
# Grain in a small picture is alike over about so many pixels.
_GRAIN_PX = 4.0
_LEAST_ERROR = 0.002
# How different a step's inside may be from end to end, as a share of a step; and in density.
_UNEVEN_SHARE, _UNEVEN = 0.3, 0.012
# A step beyond the last edge seen differs by less than an edge that would be seen.
_UNSEEN, _BACK = 0.03, 0.008
# In toe and shoulder steps get smaller outwards: an outer one that is larger is the surround.
_LARGER = 1.25
_DUST = 0.02


@dataclass(frozen=True)
class WedgeReading:
    """A step wedge as read.

    `densities` (n, 3) are above base, thinnest step first, `error` (n, 3) their standard errors;
    `corners` (4, 2) go around all steps in the picture's pixels;
    `confidence` is 0 to 1: how certain it is that this is a wedge.
    """

    densities: Float64
    error: Float64
    corners: Float64
    confidence: float


def find_wedge(density_above: Picture, steps: int | None = None) -> WedgeReading | None:
    """Return the wedge in a picture of density above base (h, w, 3), or None if none is seen.

    It may lie at any angle, fill the picture or a part of it. `steps` is how many it has, where
    that is known; which ones are seen does not matter to the curve.
    """
    picture = np.asarray(density_above, np.float32)
    if not np.isfinite(picture).all() or min(picture.shape[:2]) < 4 * LEAST_STEP_PX:
        return None
    least = LEAST_NAMED if steps is None else min(LEAST_NAMED, max(steps - 3, 3))
    found: list[WedgeReading] = []
    angles = list(angles_of(picture))
    for line_px in LINES_PX:
        rows = [row for angle in angles if (row := row_at(picture, angle, least, line_px))]
        found += [reading for row in rows if (reading := _read_row(row, steps))]
        best = max(found, key=lambda one: one.confidence * len(one.densities), default=None)
        if best is not None and best.confidence >= SURE:
            break
    return best


def looks_stepped(density_above: Picture) -> bool:
    """Tell quickly whether a picture (h, w, 3) may be a wedge from side to side of the frame.

    `find_wedge` is to make sure of it.
    """
    plane = density_above.astype(np.float32).mean(axis=2)
    rows, columns = (round(0.3 * side) for side in plane.shape)
    middles = (plane[rows:-rows], plane[:, columns:-columns].T) if min(rows, columns) else ()
    return any(
        find_edges(part.mean(axis=0).astype(float), LEAST_FOUND) is not None for part in middles
    )


def read_wedge_at(density_above: Picture, corners: Float64, steps: int) -> WedgeReading:
    """Return the wedge of so many steps inside corners (4, 2), pixels, in a picture (h, w, 3).

    The corners go around the wedge; its long side is the one that the steps lie along.
    """
    points = np.asarray(corners, float)
    sides = np.hypot(*(points - np.roll(points, -1, axis=0)).T)
    if sides[1] + sides[3] > sides[0] + sides[2]:
        points = np.roll(points, -1, axis=0)
    length = max(round(float(max(sides))), 2 * steps)
    height = max(round(float(min(sides))), 4)
    flat = np.array([[0, 0], [length, 0], [length, height], [0, height]], np.float32)
    matrix = cv2.getPerspectiveTransform(points.astype(np.float32), flat - np.float32(0.5))
    turned = cv2.warpPerspective(
        np.asarray(density_above, np.float32), matrix, (length, height),
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    edges = Edges(np.linspace(0.0, length, steps + 1)[1:-1] - 0.5, rising=True)
    means, errors = _steps(
        np.asarray(turned, np.float32), edges.at(np.arange(-1, steps)), 0, height
    )
    if means[0].sum() > means[-1].sum():
        means, errors = means[::-1], errors[::-1]
    rises = np.diff(means, axis=0) > -_BACK
    confidence = 1.0 if rises.all() and np.ptp(means.mean(axis=1)) > 0.1 else 0.0
    return WedgeReading(means, errors, points, confidence)


def _inner_parts(ends: Float64) -> Iterator[tuple[int, int]]:
    """Yield the columns of each step between ends (n + 1,) that are read, one at least."""
    for left, right in itertools.pairwise(ends):
        margin = 0.5 * (1.0 - _ALONG) * (right - left)
        first = round(left + margin)
        yield first, max(round(right - margin), first + 1)


def _steps(turned: Picture, ends: Float64, top: int, bottom: int) -> tuple[Float64, Float64]:
    """Return densities and standard errors (n, 3) of the steps between ends (n + 1,)."""
    inset = 0.5 * (1.0 - _ACROSS) * (bottom - top)
    rows = slice(round(top + inset), max(round(bottom - inset), round(top + inset) + 1))
    means, errors = [], []
    for first, stop in _inner_parts(ends):
        pixels = turned[rows, max(first, 0) : stop].reshape(-1, 3).astype(float)
        pixels = pixels[np.isfinite(pixels).all(axis=1)]
        if len(pixels) == 0:
            pixels = np.full((1, 3), np.nan)
        means.append(middle_mean(pixels))
        spread = pixels.std(axis=0) / np.sqrt(max(len(pixels) / _GRAIN_PX, 1.0))
        errors.append(np.maximum(spread, _LEAST_ERROR))
    return np.array(means), np.array(errors)


def _read_row(row: Row, steps: int | None) -> WedgeReading | None:
    """Return the wedge that a row of edges bounds, and how much it looks like one."""
    count = len(row.edges.places)
    room = 0 if steps is None else max(steps - count - 1, 0)
    more = 3 if steps is None else min(room, steps)
    index = np.arange(-1 - more, count + 1 + more)
    means, errors = _steps(row.picture, row.edges.at(index), row.top, row.bottom)
    even = _evenness(row, index)
    low, high = _without_surround(means, even, more, more + count + 1, steps)
    low, high = _with_unseen(means, even, low, high, steps)
    if high - low < 3 or not np.isfinite(means[low:high]).all():
        return None
    ends = row.edges.at(index[[low, high]])
    back = cv2.invertAffineTransform(row.to_turned)
    box = np.array([
        [ends[0], row.top], [ends[1], row.top], [ends[1], row.bottom], [ends[0], row.bottom]
    ])  # fmt: skip
    corners = (box - 0.5) @ back[:, :2].T + back[:, 2]
    chosen, wrong = means[low:high], errors[low:high]
    confidence = _confidence(row, chosen, even[low:high])
    if not row.edges.rising:
        chosen, wrong = chosen[::-1], wrong[::-1]
    return WedgeReading(chosen, wrong, corners, confidence)


def _evenness(row: Row, index: NDArray[np.int64]) -> Float64:
    """Return how much density changes from end to end inside each step."""
    profile = profile_of(row.picture, row.top, row.bottom)
    changes = []
    for first, stop in _inner_parts(row.edges.at(index)):
        part = profile[max(first, 0) : stop]
        if len(part) == 0 or first < 0 or not np.isfinite(part).all():
            changes.append(np.nan)
        else:
            half = max(len(part) // 2, 1)
            changes.append(abs(float(part[:half].mean() - part[-half:].mean())))
    return np.array(changes)


def _without_surround(
    means: Float64, even: Float64, low: int, high: int, steps: int | None
) -> tuple[int, int]:
    """Leave out an outermost part that is no step: uneven, out of view, or too different."""
    size = np.abs(np.diff(means.mean(axis=1)))
    for _ in range(2):
        first_off = not even[low] < _DUST or size[low] > _LARGER * size[low + 1] + _BACK
        last_off = not even[high - 1] < _DUST or size[high - 2] > _LARGER * size[high - 3] + _BACK
        if first_off and high - low > 3:
            low += 1
        if last_off and high - low > 3:
            high -= 1
        if not (first_off or last_off):
            break
    while steps is not None and high - low > steps:
        if size[low] / size[low + 1] > size[high - 2] / size[high - 3]:
            low += 1
        else:
            high -= 1
    return low, high


def _with_unseen(
    means: Float64, even: Float64, low: int, high: int, steps: int | None
) -> tuple[int, int]:
    """Take in steps of toe and shoulder beyond the edges that are seen."""
    level = means.mean(axis=1)
    sign = np.sign(level[high - 1] - level[low])

    def goes_on(at: int, inner: int, way: int) -> bool:
        # At the base there is nothing left to tell a step from the wedge's surround.
        if not 0 <= at < len(level) or not even[at] < _UNEVEN or level[inner] < _BACK:
            return False
        further = way * sign * (level[at] - level[inner])
        return bool(-_BACK < further < _UNSEEN)

    while (steps is None or high - low < steps) and goes_on(high, high - 1, 1):
        high += 1
    while (steps is None or high - low < steps) and goes_on(low - 1, low, -1):
        low -= 1
    return low, high


def _confidence(row: Row, means: Float64, even: Float64) -> float:
    """Return how much a row of steps is a wedge: even inside, stepped between, in all channels."""
    rises = np.diff(means, axis=0) * (1.0 if row.edges.rising else -1.0)
    size = np.abs(np.diff(means.mean(axis=1)))
    beside = np.maximum(np.r_[size, size[-1]], np.r_[size[0], size])
    flat = even < np.maximum(_UNEVEN_SHARE * beside, _UNEVEN)
    enough = min(1.0, len(row.edges.places) / LEAST_FOUND)
    tall = min(1.0, (row.bottom - row.top) / max(row.edges.step_px, 3 * LEAST_BAND_PX))
    onward = float(np.mean(rises > -_BACK))
    regular = float(np.std(row.edges.places - row.edges.at(np.arange(len(row.edges.places)))))
    true = max(0.0, 1.0 - regular / (0.1 * row.edges.step_px))
    return float(np.mean(flat)) ** 2 * enough * tall * onward**2 * true
