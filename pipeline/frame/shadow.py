"""The soft shadow of a camera's gate, told from blur and spread light by how edges fall to base.

A gate lies a little before the film, and its edge is a shadow as wide as that over the f-number.
A place told by the light that a dense picture takes lies where a few hundredths of the picture's
exposure arrive, at the shadow's outer end; the gate's edge is where half of it arrives. Blur mixes
the light of the scan, spread light is exposure far outside: of all mixtures of the three the ones
count that fall like the edges of the strip, as all of them have one scanner and one gate.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from pipeline.channels import median
from pipeline.kinds import Row
from pipeline.strip import measure_limits

# Rows of this density and more tell, where so many are.
_LEAST_DENSITY, _MOST_DENSITY, _LEAST_ROWS = 0.3, 2.4, 0.3
# An edge is looked at between these places (pixels, inwards), and held against the picture there.
_FIRST_PX, _LAST_PX, _STEP_PX = -3.0, 7.0, 0.5
_INSIDE_PX, _FARTHEST_PX = 5.0, 8.0
# Mixtures that are tried: blur (standard deviation) and half widths of the shadow in pixels, and
# what share of the exposure spreads so far (pixels) beyond the edge.
_BLURS_PX = tuple(0.45 * 1.125**k for k in range(16))
_HALVES_PX = (0.0, 0.5, 0.9, 1.3, 1.8, 2.4, 3.2, 4.2)
_SPREADS, _SPREAD_PX = (0.0, 0.004, 0.015), 2.5
_DENSITY_STEP = 0.15
# Edges are placed to so much (pixels).
_PLACES_PX = (-0.4, -0.2, 0.0, 0.2, 0.4)
# A fall is told to such a share of the picture's density, and a millimetre inside to so much more
# by the scene; so many readings and so many edges are off alike; no edge counts beyond a limit
# (natural logarithm).
_FALL_ERROR, _SCENE_ERROR_A_MM, _SCENE = 0.02, 0.05, 1.5
_READINGS_ALIKE, _EDGES_APART, _MOST_LIKELIHOOD = 3.0, 6.0, 4.0
# Shadows of one strip differ by the aperture: most by less than one of the steps above.
_NEXT, _OTHER = 0.3, 0.01
# What an edge alone would be moved by otherwise is half doubted.
_SCENES_SHARE = 0.5
_FINE_PX, _MARGIN_PX = 0.125, 8.0


@dataclass(frozen=True)
class Fall:
    """How an edge falls to base: density by places inwards (n,), as a share of the picture's.

    `density` is the picture's above base, `scene` by how much it varies farther inside.
    """

    shares: Row
    density: float
    scene: float


def fall_of(part: Row, y: Row, place: float, tilt: float) -> Fall | None:
    """Return how an edge falls to base, None where the picture is thin or too little is in view.

    Parameters
    ----------
    part
        (rows, columns) density above base, the picture on the right.
    y
        (rows) heights of the rows.
    place, tilt
        Where the edge crosses y = 0, in columns, and its change of place a row.
    """
    x = np.arange(_FIRST_PX, _FARTHEST_PX + _STEP_PX / 2, _STEP_PX)
    if place + x[0] < 0 or place + x[-1] > part.shape[1] - 1:
        return None
    columns = np.clip(place + tilt * y[:, None] + x, 0.0, part.shape[1] - 1.001)
    first = columns.astype(int)
    rows = np.arange(len(y))[:, None]
    share = columns - first
    density = part[rows, first] * (1.0 - share) + part[rows, first + 1] * share
    inside = median(density[:, x >= _INSIDE_PX], axis=1)
    dense = inside > _LEAST_DENSITY
    if dense.mean() < _LEAST_ROWS:
        return None
    shares = np.asarray(median(density[dense] / inside[dense, None], axis=0), float)
    scene = _SCENE * math.sqrt(float(np.mean((shares[x >= _INSIDE_PX] - 1.0) ** 2)))
    usual = float(np.median(inside[dense]))
    return Fall(shares[x <= _LAST_PX], usual, scene) if usual < _MOST_DENSITY else None


def shadow_moves(falls: Sequence[Fall | None], px_per_mm: float) -> tuple[tuple[float, float], ...]:
    """Return by how many pixels inwards the gate lies of each edge of a strip, and the error.

    Edges that do not fall to base stay where they are.
    """
    told = [fall for fall in falls if fall is not None]
    if not told:
        return ((0.0, 0.0),) * len(falls)
    likely = np.array([_likelihood(fall, px_per_mm) for fall in told])
    usual = _usual(px_per_mm)
    alike = _alike(usual)
    # Of each edge: by blur and shadow, spread light left open.
    each = np.log(np.exp(likely).sum(axis=3) @ alike.T)
    apart = min(1.0, _EDGES_APART / len(told))
    strip = apart * each.sum(axis=0) + np.log(usual)
    shared = np.exp(strip - strip.max()) @ alike
    moves = iter(
        _move(np.exp(edge), shared, usual, _shapes(_density_bin(fall))[1])
        for fall, edge in zip(told, likely, strict=True)
    )
    return tuple((0.0, 0.0) if fall is None else next(moves) for fall in falls)


def _move(likely: Row, shared: Row, usual: Row, inwards: Row) -> tuple[float, float]:
    """Return how far inside an edge the gate lies, and the error.

    An edge that alone, with what is usual, would be softer than its strip's may be the scene's.
    """
    together, alone = likely * shared[..., None], likely * usual[:, None]
    mean, deviation = _mean(together, inwards)
    blurs = np.array(_BLURS_PX)[:, None, None]
    softer = _mean(alone, blurs)[0] - _mean(together, blurs)[0]
    otherwise = _SCENES_SHARE * (_mean(alone, inwards)[0] - mean)
    return mean, math.sqrt(deviation**2 + otherwise**2 + max(0.0, softer) ** 2)


def _mean(weights: Row, values: Row) -> tuple[float, float]:
    """Return the weighted mean and deviation."""
    weights = weights / weights.sum()
    mean = float((weights * values).sum())
    return mean, math.sqrt(float((weights * (values - mean) ** 2).sum()))


def _likelihood(fall: Fall, px_per_mm: float) -> Row:
    """Return how likely each mixture (blurs, halves, spreads) makes a fall, the best one 0."""
    shapes, _ = _shapes(_density_bin(fall))
    x = _places()
    scene = np.hypot(
        fall.scene * np.clip(fall.shares, 0.0, 1.0),
        _SCENE_ERROR_A_MM / px_per_mm * np.maximum(x, 0.0),
    )
    variance = _FALL_ERROR**2 + scene**2
    # Resampled pixels ring beside dense edges; no gate makes a picture's rim denser.
    shares = np.minimum(fall.shares, 1.0)
    rest = ((shares - shapes) ** 2 / variance).sum(axis=-1) / (2.0 * _READINGS_ALIKE)
    # What no mixture makes tells the less, by how much worse than by chance it is made.
    chance = shares.size / (2.0 * _READINGS_ALIKE)
    rest = rest / max(1.0, float(rest.min()) / chance)
    best: Row = np.log(np.exp(-rest).mean(axis=-1) + 1e-300)
    held: Row = np.maximum(best - best.max(), -_MOST_LIKELIHOOD)
    return held


def _halves() -> Row:
    return np.array(_HALVES_PX)


def _places() -> Row:
    places: Row = np.arange(_FIRST_PX, _LAST_PX + _STEP_PX / 2, _STEP_PX)
    return places


def _usual(px_per_mm: float) -> Row:
    """Return how likely each half width (n) of a shadow is before anything is seen."""
    usual_px = px_per_mm * float(measure_limits("shadow")["half_width_mm"])
    likely = np.gradient(_halves()) / (1.0 + (_halves() / usual_px) ** 2)
    usual: Row = likely / likely.sum()
    return usual


def _alike(usual: Row) -> Row:
    """Return how likely each shadow of an edge (columns) is where a strip has one (rows)."""
    apart = np.abs(np.subtract.outer(range(len(_HALVES_PX)), range(len(_HALVES_PX))))
    likely = np.where(apart == 0, 1.0, np.where(apart == 1, _NEXT, _OTHER)) * usual
    together: Row = likely / likely.sum(axis=1, keepdims=True)
    return together


def _density_bin(fall: Fall) -> int:
    return round(fall.density / _DENSITY_STEP)


@cache
def _shapes(density_bin: int) -> tuple[Row, Row]:
    """Return how edges of a picture of a density fall, and how far inside them the gate lies.

    Falls are (blurs, halves, spreads, places of the edge, places), as `Fall` has them; how far
    inside (pixels) is (blurs, halves, spreads).
    """
    density = density_bin * _DENSITY_STEP
    x = np.arange(_FIRST_PX - _MARGIN_PX, _LAST_PX + _MARGIN_PX, _FINE_PX)
    light = _light(x, density)
    taken = (1.0 - light) / (1.0 - 10.0**-density)
    after = np.argmax(taken >= 0.5, axis=-1)[..., None]
    low, high = (np.take_along_axis(taken, after - k, -1)[..., 0] for k in (1, 0))
    half = x[after[..., 0]] - _FINE_PX * (high - 0.5) / (high - low)
    places = half[..., None, None] + np.array(_PLACES_PX)[:, None] + _places()
    index = (places - x[0]) / _FINE_PX
    first = index.astype(int)
    # Falls are told between pixels by straight lines, at any phase: a triangle smooths them.
    between = 1.0 - np.abs(np.arange(-1.0, 1.0 + _FINE_PX, _FINE_PX))
    smooth = _smoothed(-np.log10(light) / density, between)
    shares = np.broadcast_to(smooth[..., None, :], (*first.shape[:-1], len(x)))
    left, right = (np.take_along_axis(shares, first + k, -1) for k in (0, 1))
    return left + (index - first) * (right - left), -half


def _light(x: Row, density: float) -> Row:
    """Return the light that passes (blurs, halves, spreads, x) where a gate's edge lies at 0."""
    slope = float(measure_limits("glow")["slope"])
    exposure = _exposures(x) * (10.0 ** (density / slope) - 1.0)
    light = (1.0 + exposure) ** -slope
    reach = round(_MARGIN_PX / _FINE_PX)
    away = _FINE_PX * np.arange(-reach, reach + 1)
    kernels = np.exp(-0.5 * (away / np.array(_BLURS_PX)[:, None]) ** 2)
    return np.stack([_smoothed(light, kernel) for kernel in kernels])


def _smoothed(values: Row, kernel: Row) -> Row:
    """Return values (..., x) smoothed along x by a kernel of odd length."""
    reach = len(kernel) // 2
    padded = np.pad(values, ((0, 0),) * (values.ndim - 1) + ((reach, reach),), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, len(kernel), axis=-1)
    smooth: Row = windows @ (kernel / kernel.sum())
    return smooth


def _exposures(x: Row) -> Row:
    """Return exposures (halves, spreads, x): the shadow that a round aperture throws, and glow.

    It is the share of a disc's area on one side of a chord.
    """
    bare = np.clip(x / np.maximum(_halves(), _FINE_PX)[:, None], -1.0, 1.0)
    seen = 0.5 + (bare * np.sqrt(1.0 - bare**2) + np.arcsin(bare)) / math.pi
    far = 0.5 * np.exp(-np.abs(x) / _SPREAD_PX)
    glow = np.where(x < 0, far, 1.0 - far)
    share = np.array(_SPREADS)[:, None]
    exposures: Row = (1.0 - share) * seen[:, None] + share * glow
    return exposures
