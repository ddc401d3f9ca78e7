"""Density of a film's edge print above its base: from the bars of its codes, or its letters."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.chain import EdgeChain
from pipeline.edge.rebate import SAMPLES_PER_MM, Rebate
from pipeline.edge.track import Track
from pipeline.kinds import SIGMA_OF_MAD, Float32, Float64, Light, Mask
from pipeline.strip import measure_limits

# Places along a code, in modules from its start: within the five dense modules that every clock
# starts with, and on the clear base before them.
DENSE_MODULES = (1.2, 3.8)
CLEAR_MODULES = (-5.0, -1.2)
# Half the height that is measured of the clock track, and how far its border is at least.
CLOCK_HALF_MM = 0.12
BORDER_MM = 0.30
# The kernel that straightened the strip over- and undershoots up to two pixels from a sharp
# border; where tracks are so few pixels high, a mean over this many either way has both.
SHARP_PX = 0.62
KERNEL_HALF_PX = 1.25
COARSE_PX_PER_MM = 7.0
# Error in density of tracks that are few pixels high, and of those that aren't: root mean square
# over films and scanners of the film model, rounded up.
_COARSE_ERROR, _FINE_ERROR = 0.02, 0.005
# Beyond this the bars are as black as the scan gets, and their density is unknown.
MOST_DENSITY = 4.0
# The standard error of a median is that of a mean times this (normal law).
_MEDIAN_ERROR = 1.2533
_FEWEST_LETTERS = 4
_LEAST_ABSORPTANCE = 0.02
_LETTER_REACH = 0.15
_LETTER_ROW_MM = 0.25
_CORE = 0.7
_LEAST_STROKE_BLURS = 1.2
# Least half width of strokes, and the error in their absorptance at a half width of one pixel.
_LEAST_HALF_PX, _PIXEL_ERROR = 0.85, 0.04
# What a difference over two pixels adds to blur (deviation of a box of that width), and blur there
# is at least, pixels.
_DERIVATIVE_BLUR, _LEAST_BLUR = 3.0**-0.5, 0.3


@dataclass(frozen=True)
class PrintDensity:
    """Density of the edge print above the base beside it.

    `density` (3,), its standard `error` (3,) from scatter and blur, the `count` of codes or
    letters it is from, and `how`: 'codes' or 'letters'.
    """

    density: Float64
    error: Float64
    count: int
    how: str


def code_print(light: Light, chain: EdgeChain) -> PrintDensity | None:
    """Return the median density of the clocks' widest bars above the base before them.

    `light` (h, w, 3) is the linear light that the chain's rebate was cut from, dark level taken
    off.

    Notes
    -----
    The widest bar of a clock is five modules long, 2.1 mm, so that a scan's blur leaves its
    middle alone. Across the track blur may reach the middle; what a border that near would let
    in is part of the error.
    """
    found, errors = [], []
    for track in chain.tracks:
        start = track.x - len(chain.layout.clock) / 2 * track.module
        dense = _light_along(light, chain.rebate, track, start, DENSE_MODULES)
        clear = _light_along(light, chain.rebate, track, start, CLEAR_MODULES)
        if not (len(dense) and len(clear)):
            continue
        # Upper quartile: letters may stand on the base, nothing is lighter than it.
        base = np.maximum(np.percentile(clear, 75, axis=0), 1e-9)
        bar = np.maximum(np.median(dense, axis=0), 1e-9)
        found.append(np.log10(np.maximum(base / bar, 1e-9)))
        errors.append(_bar_error(dense, bar, base, track))
    if not found:
        return None
    density = np.median(found, axis=0)
    if not np.all(np.abs(density) < MOST_DENSITY):
        return None
    coarse = SAMPLES_PER_MM * chain.rebate.y_px_per_sample < COARSE_PX_PER_MM
    sampled = _COARSE_ERROR if coarse else _FINE_ERROR
    error = np.hypot(_error_of_median(np.array(found), np.array(errors)), sampled)
    return PrintDensity(density, error, len(found), "codes")


def _bar_error(dense: Float64, bar: Float64, base: Float64, track: Track) -> Float64:
    """Return the error of one bar's density from its noise and from blur across the track."""
    from scipy.special import ndtr

    noise = _MEDIAN_ERROR * dense.std(axis=0) / np.sqrt(len(dense))
    blur_mm = track.blur * abs(track.module) / SAMPLES_PER_MM
    leaked = 2.0 * ndtr(-BORDER_MM / blur_mm) * (base - bar)
    error: Float64 = math.log10(math.e) * np.hypot(noise, leaked) / bar
    return error


def _error_of_median(found: Float64, errors: Float64) -> Float64:
    """Return the standard error of the median of densities (n, 3) that have errors (m, 3).

    Scatter tells the error where there are several; what all share doesn't average out.
    """
    scatter = SIGMA_OF_MAD * np.median(np.abs(found - np.median(found, axis=0)), axis=0)
    error: Float64 = np.hypot(
        _MEDIAN_ERROR * scatter / np.sqrt(len(found)), np.median(errors, axis=0)
    )
    return error


def _light_along(
    light: Light, rebate: Rebate, track: Track, start: float, modules: tuple[float, float]
) -> Float64:
    """Return (columns, 3): mean light over the middle of a clock track, between two places."""
    columns = sorted(rebate.strip_x(start + place * track.module) for place in modules)
    left, right = (int(np.clip(round(c), 0, light.shape[1])) for c in columns)
    px_per_mm = SAMPLES_PER_MM * rebate.y_px_per_sample
    blur_px = track.blur * abs(track.module) * rebate.x_px_per_sample
    overshoots = px_per_mm < COARSE_PX_PER_MM and blur_px < SHARP_PX
    half = KERNEL_HALF_PX if overshoots else max(0.5, CLOCK_HALF_MM * px_per_mm)
    rows, middle = np.arange(light.shape[0]), rebate.strip_y(track.y)
    share = np.minimum(rows + 0.5, middle + half) - np.maximum(rows - 0.5, middle - half)
    weight = np.clip(share, 0.0, 1.0)
    if weight.sum() <= 0.0 or right <= left:
        return np.empty((0, 3))
    first, last = np.flatnonzero(weight)[[0, -1]]
    part = light[first : last + 1, left:right].astype(np.float64)
    return np.asarray(np.tensordot(weight[first : last + 1] / weight.sum(), part, 1))


def letter_print(bands: Sequence[Light], px_per_mm: float) -> PrintDensity | None:
    """Return the density of letters and figures on rebates, or None where too few are seen.

    `bands` (h, w, 3) are linear light between the film's edge and its perforations or pictures, its
    long side horizontal, dark level taken off.

    Notes
    -----
    Print is what stands in one line, equally high and dense in all channels. Strokes are thin;
    the light that blur lets into their middle is taken off by their width and by how steep
    their borders are (the middle of a bar of half-width h, blurred by s, has erf(h / s / 2^0.5)
    of its absorptance), and half of that is part of the error.
    """
    found = [letter for light in bands for letter in _letters(light, px_per_mm)]
    half_px = float(np.median([letter.half_px for letter in found])) if found else 0.0
    if len(found) < _FEWEST_LETTERS or half_px < _LEAST_HALF_PX:
        return None
    seen = np.array([letter.absorptance for letter in found])
    filled = np.array([letter.filled for letter in found])[:, None]
    densities = -np.log10(np.maximum(1.0 - seen / filled, 1e-6))
    density = np.median(densities, axis=0)
    if not np.all(density < MOST_DENSITY):
        return None
    own = float(measure_limits("print")["letter_error_density"])
    # Pixels hide the stroke's border, the more the fewer it has.
    shares = (_PIXEL_ERROR / half_px**2, 0.5 * float(np.median(1.0 - filled)))
    unfilled = math.log10(math.e) * np.hypot(*shares) * (10.0**density - 1.0)
    error = np.hypot(_error_of_median(densities, unfilled[None]), own)
    return PrintDensity(density, error, len(found), "letters")


@dataclass(frozen=True)
class _Letter:
    """Absorptance (3,) of a letter's strokes, what share blur leaves of it, half their width."""

    absorptance: Float64
    filled: float
    half_px: float


def _letters(light: Light, px_per_mm: float) -> list[_Letter]:
    """Return the letters of a band."""
    from scipy.ndimage import find_objects

    if min(light.shape[:2]) < 4:
        return []
    absorbed = _absorbed(light, px_per_mm)
    mean = np.ascontiguousarray(absorbed.mean(axis=2), np.float32)
    bend = np.diff(mean, n=2, axis=1)
    noise = SIGMA_OF_MAD / np.sqrt(6.0) * float(np.median(np.abs(bend)))
    peak = float(np.percentile(mean, 99.5))
    if peak < max(_LEAST_ABSORPTANCE, 6.0 * noise):
        return []
    mask = (mean > peak / 2.0).astype(np.uint8)
    _, labels, stats, centres = cv2.connectedComponentsWithStats(mask, connectivity=8)
    places = _in_one_line(
        np.asarray(stats[1:], np.int32), np.asarray(centres[1:, 1], float), px_per_mm
    )
    if len(places) < _FEWEST_LETTERS:
        return []
    depth = np.asarray(cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE), np.float32)
    across, down = (
        cv2.Sobel(mean, cv2.CV_32F, *order, ksize=3) / 8.0 for order in ((1, 0), (0, 1))
    )
    steep = np.hypot(across, down)
    letters = []
    boxes = find_objects(labels)
    for place in places:
        box = boxes[place]
        own = labels[box] == place + 1
        letter = _letter(absorbed[box], own, depth[box], steep[box])
        if letter is not None:
            letters.append(letter)
    return letters


def _absorbed(light: Light, px_per_mm: float) -> Float64:
    """Return absorptance above the base, which is the light of most of a few mm of rebate."""
    step = max(4, round(4.0 * px_per_mm))
    starts = np.arange(0, light.shape[1], step)
    levels = np.array(
        [np.percentile(light[:, s : s + step].reshape(-1, 3), 70, axis=0) for s in starts]
    )
    middles = starts + step / 2
    columns = np.arange(light.shape[1])
    base = np.stack([np.interp(columns, middles, levels[:, c]) for c in range(3)], axis=1)
    absorbed: Float64 = 1.0 - light / np.maximum(base, 1e-6)[None]
    return absorbed


def _in_one_line(stats: NDArray[np.int32], rows: Float64, px_per_mm: float) -> list[int]:
    """Return which components are letters: as high as most are, and standing in their line."""
    low, high = (mm * px_per_mm for mm in measure_limits("print")["letter_height_mm"])
    heights, widths = stats[:, cv2.CC_STAT_HEIGHT], stats[:, cv2.CC_STAT_WIDTH]
    like = (heights >= low) & (heights <= high) & (widths <= high)
    best: list[int] = []
    for index in np.flatnonzero(like):
        near = like & (np.abs(heights - heights[index]) <= max(1, _LETTER_REACH * heights[index]))
        near &= np.abs(rows - rows[index]) <= _LETTER_ROW_MM * px_per_mm
        if near.sum() > len(best):
            best = [int(place) for place in np.flatnonzero(near)]
    return best


def _letter(absorbed: Float64, own: Mask, depth: Float32, steep: Float32) -> _Letter | None:
    from scipy.special import erf

    deepest = float(depth[own].max())
    # Blur that makes strokes run together makes them seem wider.
    height = np.flatnonzero(own.any(axis=1)).size
    thin = height / measure_limits("print")["strokes_a_height"] / 2.0
    core = own & (depth >= _CORE * deepest)
    seen = np.median(absorbed[core], axis=0)
    level, half = float(seen.mean()), max(deepest - 0.5, 0.5)
    slope = float(np.percentile(steep[own], 95))
    if level <= 0.0 or slope <= 0.0 or not np.all(seen > 0.3 * level):
        return None
    filled = 1.0
    for _ in range(4):
        seen_blur = level / filled / (slope * np.sqrt(2.0 * np.pi))
        blur = np.sqrt(max(seen_blur**2 - _DERIVATIVE_BLUR**2, _LEAST_BLUR**2))
        filled = float(erf(half / blur / np.sqrt(2.0)))
    return None if half < _LEAST_STROKE_BLURS * blur else _Letter(seen, filled, min(half, thin))
