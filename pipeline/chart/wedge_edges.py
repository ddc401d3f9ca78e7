"""Edges of a step wedge along one line: equally spaced, all rising or all falling."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from pipeline.kinds import SIGMA_OF_MAD, Float64

LEAST_STEP_PX = 5.0
_SMOOTH_PX = 1.2
# Lines between steps up to about half so wide are taken out: a median leaves what only rises
# as it is.
LINES_PX = (5, 9)
_SMOOTH_REACH = 4
# Least steepness of an edge, density a pixel: a step of 0.02 over the blur of the picture.
_LEAST_STEEP, _NOISE_TIMES = 0.003, 5.0
# How far an edge may lie from its place, in steps.
_OFF = 0.16
# An edge between two places this strong beside them is none of a wedge.
_STRANGE = 0.5


@dataclass(frozen=True)
class Edges:
    """Equally spaced edges: places (n,) in pixels, rising; `rising` tells of the density there."""

    places: Float64
    rising: bool

    @property
    def step_px(self) -> float:
        """Return the mean distance from edge to edge."""
        return float((self.places[-1] - self.places[0]) / (len(self.places) - 1))

    def at(self, index: Float64 | NDArray[np.int64]) -> Float64:
        """Return where edges of any index lie (0 the first), by a smooth run through all.

        A wedge seen at an angle has steps that get wider to one side: a quadratic run.
        """
        count = len(self.places)
        degree = 2 if count >= 6 else 1
        known = np.polyfit(np.arange(count), self.places, degree)
        placed: Float64 = np.polyval(known, np.asarray(index, float))
        return placed


def _steepness(profile: Float64, line_px: int) -> Float64:
    """Return density a pixel along a profile (n,), smoothed; zero where it is not finite."""
    inside = np.isfinite(profile)
    padded = np.pad(np.where(inside, profile, 0.0), line_px // 2, mode="edge")
    filled = np.median(sliding_window_view(padded, line_px), axis=1)
    x = np.arange(-_SMOOTH_REACH, _SMOOTH_REACH + 1, dtype=float)
    bell = np.exp(-0.5 * (x / _SMOOTH_PX) ** 2)
    kernel = (-x * bell / (x * x * bell).sum()).reshape(1, -1)
    steep = cv2.filter2D(filled.reshape(1, -1), -1, -kernel, borderType=cv2.BORDER_REPLICATE)[0]
    near = cv2.erode(
        inside.astype(np.uint8).reshape(1, -1),
        np.ones((1, 2 * _SMOOTH_REACH + 1), np.uint8),
        borderValue=1,
    )[0]
    result: Float64 = np.where(near > 0, steep, 0.0)
    return result


def find_edges(profile: Float64, least: int, line_px: int = LINES_PX[0]) -> Edges | None:
    """Return the longest run of at least so many edges along a profile (n,) of density."""
    steep = _steepness(profile, line_px)
    used = steep[steep != 0.0]
    if len(used) < 4 * LEAST_STEP_PX:
        return None
    noise = SIGMA_OF_MAD * float(np.median(np.abs(used - np.median(used))))
    level = max(_LEAST_STEEP, _NOISE_TIMES * noise)
    # Many narrow steps leave no even stretch to tell noise by.
    level = min(level, max(_LEAST_STEEP, 0.25 * float(np.percentile(np.abs(used), 95))))
    best: Edges | None = None
    for sign in (1.0, -1.0):
        run = _longest(_peaks(sign * steep, level), _peaks(-sign * steep, level), least)
        if run is not None and (best is None or len(run) > len(best.places)):
            best = Edges(run, sign > 0)
    return best


@dataclass(frozen=True)
class _Peaks:
    """Peaks of steepness along a profile: places (n,) in pixels, heights (n,)."""

    places: Float64
    heights: Float64

    def stand_between(self, left: float, right: float, height: float) -> bool:
        """Tell whether one higher than a height lies between two places."""
        inner = (self.places > left + 1.0) & (self.places < right - 1.0)
        return bool((self.heights[inner] > height).any())


def _peaks(steep: Float64, level: float) -> _Peaks:
    """Return the peaks above a level, by a parabola through each top."""
    middle = steep[1:-1]
    top = np.nonzero((middle > level) & (middle >= steep[:-2]) & (middle > steep[2:]))[0] + 1
    before, at, after = steep[top - 1], steep[top], steep[top + 1]
    curve = before - 2.0 * at + after
    shift = np.where(curve < 0, 0.5 * (before - after) / np.where(curve < 0, curve, -1.0), 0.0)
    return _Peaks(top + np.clip(shift, -0.5, 0.5), at)


def _longest(edges: _Peaks, against: _Peaks, least: int) -> Float64 | None:
    """Return the places of the longest run of at least so many edges, none `against` between."""
    best: list[int] = []
    places = edges.places
    for first in range(len(places) - 1):
        for second in range(first + 1, min(first + 4, len(places))):
            near = places[second] - places[first] < LEAST_STEP_PX
            if near or (first in best and second in best):
                continue
            run = _extended(edges, against, first, second)
            if len(run) > len(best):
                best = run
    return places[best] if len(best) >= least else None


def _extended(edges: _Peaks, against: _Peaks, first: int, second: int) -> list[int]:
    """Return the edges that go on from two, each at its place and none between them."""

    def parted(left: int, right: int) -> bool:
        limit = _STRANGE * min(edges.heights[left], edges.heights[right])
        ends = edges.places[left], edges.places[right]
        return any(peaks.stand_between(*ends, limit) for peaks in (edges, against))

    if parted(first, second):
        return []
    places, run = edges.places, [first, second]
    for forth in (True, False):
        while True:
            end, inner = (run[-1], run[-2:-5:-1]) if forth else (run[0], run[1:4])
            step = (places[end] - places[inner[-1]]) / len(inner)
            off = np.abs(places - (places[end] + step))
            near = int(np.argmin(off))
            if off[near] > _OFF * abs(step) or near in run:
                break
            if parted(*((end, near) if forth else (near, end))):
                break
            run = [*run, near] if forth else [near, *run]
    return run
