"""Scratches: emulsion scraped off (light) or support scored (dark), thinner than a pixel or not."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .geometry import Pixels, Placement, Window
from .spectra import Floats

LEAST_SIDE_PX = 1e-3


@dataclass(frozen=True)
class Scratch:
    """A straight scratch between two points of a strip (mm along, mm across).

    lost_share is the share of the film's density scraped off, added_density what scored support
    scatters out of the light.
    """

    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    width_mm: float
    lost_share: float = 0.0
    added_density: float = 0.0


def scratched(
    light: Pixels, scratches: Sequence[Scratch], placement: Placement, window: Window
) -> Pixels:
    """Return light [..., 4] through film, scratches scored into it."""
    for scratch in scratches:
        (u0, v0), (u1, v1) = scratch.start_mm, scratch.end_mm
        local = placement.window_of(min(u0, u1), min(v0, v1), max(u0, u1), max(v0, v1))
        local = local.within(window)
        if local.empty:
            continue
        part = local.slices_in(window)
        share = scratch_share(scratch, placement, local)[..., None]
        light[part] = light[part] ** (1 - np.float32(scratch.lost_share) * share) * np.float32(
            10
        ) ** (-np.float32(scratch.added_density) * share)
    return light


def scratch_share(scratch: Scratch, placement: Placement, window: Window) -> Pixels:
    """Return the share of each square pixel that a scratch covers, however thin it is."""
    ends = placement.to_scan([scratch.start_mm, scratch.end_mm])
    run, middle = ends[1] - ends[0], ends.mean(axis=0)
    length = float(np.hypot(*run))
    cosine, sine = run / length
    x = np.arange(window.x0, window.x1)[None, :] - middle[0]
    y = np.arange(window.y0, window.y1)[:, None] - middle[1]
    sides = max(abs(cosine), LEAST_SIDE_PX), max(abs(sine), LEAST_SIDE_PX)
    along = _within(x * cosine + y * sine, length, *sides)
    across = _within(y * cosine - x * sine, scratch.width_mm * placement.px_per_mm, *sides)
    return (along * across).astype(np.float32)


def _within(offset_px: Floats, width_px: float, first: float, second: float) -> Floats:
    """Return how much of a pixel at an offset lies within a width around 0.

    Seen from any direction, a square pixel is the shadow of its two sides, one convolved with the
    other: the distribution of the sum of two uniform variables as wide as those shadows.
    """

    def below(limit: Floats) -> Floats:
        sums, less = (first + second) / 2, (first - second) / 2
        t = np.clip(limit, -sums, sums)
        powers = [np.maximum(t + shift, 0) ** 2 for shift in (sums, less, -less, -sums)]
        return (powers[0] - powers[1] - powers[2] + powers[3]) / (2 * first * second)

    return below(width_px / 2 - offset_px) - below(-width_px / 2 - offset_px)


def random_scratches(
    rng: np.random.Generator, length_mm: float, width_mm: float
) -> tuple[Scratch, ...]:
    """Draw 1 to 8 long scratches along a strip and up to 3 short ones in any direction."""
    drawn = []
    for _ in range(int(rng.integers(1, 9))):
        u0, u1 = np.sort(rng.uniform(-0.3, 1.3, 2).clip(0, 1)) * length_mm
        v = float(rng.uniform(0.02, 0.98)) * width_mm
        drift = float(rng.normal(0, 0.002)) * (u1 - u0)
        if u1 - u0 > 1:
            drawn.append(_scored(rng, (float(u0), v), (float(u1), v + drift)))
    for _ in range(int(rng.integers(0, 4))):
        u, v = rng.uniform(0, 1, 2) * (length_mm, width_mm)
        turn, half = rng.uniform(0, np.pi), rng.uniform(2, 10)
        du, dv = half * np.cos(turn), half * np.sin(turn)
        drawn.append(_scored(rng, (float(u - du), float(v - dv)), (float(u + du), float(v + dv))))
    return tuple(drawn)


def _scored(
    rng: np.random.Generator, start: tuple[float, float], end: tuple[float, float]
) -> Scratch:
    """Draw width (0.02 to 0.2 mm) and depth; sizes are common practice, no source."""
    width = float(np.exp(rng.uniform(np.log(0.02), np.log(0.2))))
    if rng.random() < 0.5:
        return Scratch(start, end, width, lost_share=float(rng.uniform(0.3, 1.0)))
    return Scratch(start, end, width, added_density=float(rng.uniform(0.1, 0.8)))
