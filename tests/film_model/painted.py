"""Painted scenes: seas, hills, night streets and the like, as linear sRGB with bright lights."""

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from . import painted_dark, painted_town
from .brush import Size, colour, glow, grid, leaf, mix, noise, ridge, sky
from .geometry import Pixels

Painter = Callable[[np.random.Generator, Size], Pixels]


def _sunset(rng: np.random.Generator, size: Size) -> Pixels:
    x, y = grid(size)
    horizon = float(rng.uniform(0.5, 0.66))
    sun = (float(rng.uniform(0.35, 1.1)), horizon - float(rng.uniform(0.05, 0.12)))
    above = mix(colour(0.15, 0.24, 0.44), colour(0.85, 0.40, 0.17), np.clip(y / horizon, 0, 1) ** 2)
    clouds = np.clip(noise(rng, size, 6, 3, 3.5, 0.55) * 2.6 - 1.2, 0, 1) * (y < horizon)
    above = mix(above, colour(0.45, 0.20, 0.17), clouds * 0.8)
    above += glow(size, *sun, 0.022)[..., None] * colour(14, 10, 5)
    above += glow(size, *sun, 0.16)[..., None] * colour(0.7, 0.40, 0.15)
    ripple = noise(rng, size, 7, 8, 7.0, 0.65)
    sea = mix(colour(0.02, 0.032, 0.05), colour(0.26, 0.16, 0.12), ripple)
    path = np.exp(-(((x - sun[0]) / (0.05 + 0.25 * np.maximum(y - horizon, 0))) ** 2))
    sea += (path * np.clip(ripple * 5 - 2.4, 0, 1))[..., None] * colour(3.0, 1.7, 0.8)
    return np.where((y < horizon)[..., None], above, sea)


def _sea(rng: np.random.Generator, size: Size) -> Pixels:
    _, y = grid(size)
    horizon = float(rng.uniform(0.36, 0.5))
    above = sky(rng, size, (0.20, 0.34, 0.62), (0.60, 0.68, 0.78), horizon)
    depth = np.clip((y - horizon) / (1 - horizon), 0, 1)
    far, near = (noise(rng, size, 7, first, 7.0, 0.68) for first in (24, 7))
    ripple = far + (near - far) * depth
    sea = mix(colour(0.10, 0.20, 0.27), colour(0.045, 0.11, 0.12), depth)
    sea = sea * (0.35 + 1.3 * ripple[..., None])
    sea += np.clip(ripple * 6 - 4.0, 0, 1)[..., None] * 0.55
    line = 0.84 + 0.10 * ridge(rng, size[1], 0.4)[None]
    foam = np.exp(-(((y - line) / 0.012) ** 2)) * np.clip(noise(rng, size, 7, 8, 2, 0.7) * 2, 0, 1)
    beach = colour(0.36, 0.29, 0.20) * (0.55 + 0.8 * noise(rng, size, 8, 8, 1, 0.8))[..., None]
    picture = mix(sea, beach, np.clip((y - line) * 60, 0, 1))
    return np.where((y < horizon)[..., None], above, mix(picture, colour(0.9, 0.9, 0.88), foam))


def _hills(rng: np.random.Generator, size: Size) -> Pixels:
    _, y = grid(size)
    picture = sky(rng, size, (0.20, 0.33, 0.64), (0.66, 0.74, 0.80), 0.5, cover=0.55)
    near = colour(*rng.choice([(0.07, 0.13, 0.035), (0.17, 0.13, 0.045), (0.05, 0.10, 0.04)]))
    for layer, height in enumerate((0.40, 0.50, 0.63, 0.80)):
        line = height + 0.12 * ridge(rng, size[1], 0.55)
        haze = (0.62, 0.36, 0.14, 0.0)[layer]
        texture = 0.25 + 1.5 * noise(rng, size, 8, 4, 1.6, 0.75)
        fields = np.where(noise(rng, size, 3, 5, 2.5) > 0.55, 1.5, 0.9)
        ground = near * (texture * fields)[..., None] * (1 - haze)
        ground = ground + colour(0.36, 0.44, 0.54) * haze
        picture = mix(picture, ground, np.clip((y - line[None]) * size[0] / 2, 0, 1))
    return picture


def _snow(rng: np.random.Generator, size: Size) -> Pixels:
    x, y = grid(size)
    above = mix(colour(0.45, 0.58, 0.80), colour(0.80, 0.84, 0.88), np.clip(y * 2.4, 0, 1))
    line = 0.46 + 0.07 * ridge(rng, size[1], 0.4)
    drifts = 0.70 + 0.25 * noise(rng, size, 4, 3, 3.0)
    ground = mix(colour(0.62, 0.70, 0.84), colour(0.95, 0.94, 0.92), drifts)
    picture = mix(above, ground, np.clip((y - line[None]) * size[0] / 2, 0, 1))
    for _ in range(14):
        x0, foot = rng.uniform(0, size[1] / size[0]), rng.uniform(0.48, 0.72)
        tall = rng.uniform(0.10, 0.30)
        reach = np.clip((y - foot + tall) / tall, 0, 1) * 0.10 * tall / 0.2
        jag = 0.7 + 0.6 * (((y - foot) * 40) % 1)
        tree = (np.abs(x - x0) < reach * jag) & (y < foot)
        picture[tree] = colour(0.025, 0.045, 0.03) * rng.uniform(0.6, 1.6)
    return picture


def _leaves(rng: np.random.Generator, size: Size) -> Pixels:
    picture = np.full((*size, 3), 0.006, np.float32)
    gaps = noise(rng, size, 5, 4, 1, 0.6)
    picture = mix(picture, colour(1.2, 1.3, 1.4), np.clip(gaps * 8 - 5.2, 0, 1))
    x, y = grid(size)
    for _ in range(420):
        at = rng.uniform(0, size[1] / size[0]), rng.uniform(0, 1)
        turn, long = rng.uniform(0, np.pi), rng.uniform(0.025, 0.06)
        leaf(picture, (x, y), at, turn, long, colour(0.07, 0.15, 0.025) * rng.uniform(0.25, 2.6))
    return picture


def _grey(rng: np.random.Generator, size: Size) -> Pixels:
    return np.full((*size, 3), 0.18, np.float32)


def _dark(rng: np.random.Generator, size: Size) -> Pixels:
    return np.full((*size, 3), 0.0004, np.float32) * noise(rng, size, 4)[..., None]


def _steps(rng: np.random.Generator, size: Size) -> Pixels:
    """Eleven grey steps, one stop apart, 0.18 in the middle."""
    x, _ = grid(size)
    step = np.clip(np.floor(x / x.max() * 11), 0, 10) - 5
    return np.repeat((0.18 * 2.0**step)[..., None], 3, axis=2).astype(np.float32)


def _painters() -> dict[str, Painter]:
    return {
        "sunset": _sunset,
        "sea": _sea,
        "hills": _hills,
        "snow": _snow,
        "leaves": _leaves,
        **painted_town.painters(),
        **painted_dark.painters(),
        "grey": _grey,
        "dark": _dark,
        "steps": _steps,
    }


def painted_names() -> list[str]:
    """Return the names of all painted scenes."""
    return list(_painters())


@lru_cache(maxsize=64)
def paint(name: str, size: Size, seed: int) -> Pixels:
    """Paint a scene as linear sRGB, height x width x 3; KeyError if unknown."""
    painter = _painters()[name]
    rng = np.random.default_rng([seed, *name.encode()])
    return np.maximum(painter(rng, size), 0).astype(np.float32)
