"""Painted scenes with black in them: doorposts, a wall's edge, leaves round a view, a night sky."""

from collections.abc import Callable

import cv2
import numpy as np

from .brush import Size, box, colour, glow, grid, leaf, mix, noise, ridge, sky
from .geometry import Pixels

GATE_HEIGHT_MM = 24.0
LEAST_BLACK, MOST_BLACK = 0.0002, 0.008


def _black(rng: np.random.Generator) -> Pixels:
    """Draw the light of a place without any, 5 to 10 stops below grey."""
    level = float(np.exp(rng.uniform(np.log(LEAST_BLACK), np.log(MOST_BLACK))))
    return colour(level, level, level)


def _view(rng: np.random.Generator, size: Size) -> Pixels:
    """Paint a street or garden in daylight: sky, a line of trees, ground."""
    _, y = grid(size)
    horizon = float(rng.uniform(0.3, 0.6))
    picture = sky(rng, size, (0.25, 0.38, 0.66), (0.70, 0.76, 0.82), horizon)
    line = horizon + 0.10 * ridge(rng, size[1], 0.6)[None]
    trees = colour(0.05, 0.09, 0.03) * (0.3 + 1.6 * noise(rng, size, 8, 8, 1, 0.8))[..., None]
    ground = colour(*rng.uniform(0.08, 0.30, 3)) * (
        0.5 + noise(rng, size, 8, 5, 2.0, 0.75)[..., None]
    )
    picture = mix(picture, trees, np.clip((y - line) * size[0] / 2, 0, 1))
    return mix(picture, ground, np.clip((y - horizon - 0.15) * 40, 0, 1))


def _doorway(rng: np.random.Generator, size: Size) -> Pixels:
    """A view out of a door: black posts of 1 to 4 mm (gate 24 mm high) at full height.

    Half the time the room's dim wall shows beyond the outermost post.
    """
    aspect = size[1] / size[0]
    picture, black = _view(rng, size), _black(rng)
    posts = []
    for _ in range(int(rng.integers(1, 4))):
        wide = float(rng.uniform(1.0, 4.0)) / GATE_HEIGHT_MM
        posts.append((float(rng.uniform(0.0, aspect - wide)), wide))
    posts.sort()
    if rng.random() < 0.5:
        wall = colour(0.030, 0.026, 0.021) * (0.4 + noise(rng, size, 6, 4, 1, 0.7))[..., None]
        picture = mix(picture, wall, box(size, 0, 0, posts[0][0] + 0.001, 1))
    for x0, wide in posts:
        picture = mix(picture, black, box(size, x0, -0.1, x0 + wide, 1.1))
        lit = float(rng.uniform(0.003, 0.012))
        shine = colour(0.30, 0.26, 0.20) * rng.uniform(0.1, 1.0)
        if rng.random() < 0.4:
            picture = mix(picture, shine, box(size, x0 - lit, -0.1, x0, 1.1))
    return picture


def _half_black(rng: np.random.Generator, size: Size) -> Pixels:
    """A lit wall that ends, upright, at the dark of a room; the dark lies left or right."""
    x, y = grid(size)
    aspect = size[1] / size[0]
    lean = float(rng.normal(0, 0.01))
    edge = float(rng.uniform(0.3, 0.7)) * aspect + lean * (y - 0.5)
    plaster = (0.4 + 0.8 * noise(rng, size, 7, 4, 1, 0.7))[..., None]
    lamp = glow(size, float(rng.uniform(0, aspect)), float(rng.uniform(0.1, 0.6)), 0.5)[..., None]
    picture = colour(*rng.uniform(0.10, 0.40, 3)) * plaster * (0.3 + lamp)
    sharp = size[0] / float(rng.uniform(2, 8))
    side = float(rng.choice([-1, 1]))
    dark = np.clip((x - edge) * side * sharp + 0.5, 0, 1)
    return mix(picture, _black(rng), dark)


def _leafy_edges(rng: np.random.Generator, size: Size) -> Pixels:
    """A bright view framed by leaves against the light, densest at the picture's edges."""
    picture = _view(rng, size) * np.float32(1.4)
    x, y = grid(size)
    aspect = size[1] / size[0]
    reach = float(rng.uniform(0.03, 0.12))
    sides = rng.random(4) < 0.7
    sides[int(rng.integers(2))] = True
    for side in np.flatnonzero(sides):
        for _ in range(320):
            depth, place = float(rng.exponential(reach)), float(rng.random())
            at = (
                (depth, place),
                (aspect - depth, place),
                (place * aspect, depth),
                (place * aspect, 1 - depth),
            )[side]
            turn, long = float(rng.uniform(0, np.pi)), float(rng.uniform(0.012, 0.05))
            paint = colour(0.004, 0.007, 0.002) * rng.uniform(0.05, 1.5)
            leaf(picture, (x, y), at, turn, long, paint)
    return picture


def _night_sky(rng: np.random.Generator, size: Size) -> Pixels:
    """Stars or their trails over a black land; now and then the moon, lamps on the horizon."""
    _, y = grid(size)
    aspect = size[1] / size[0]
    black = _black(rng)
    picture = black * colour(1, 1, 1.4) * (0.5 + y)[..., None]
    stars = np.zeros(size, np.float32)
    trail = float(rng.uniform(0.05, 0.5)) if rng.random() < 0.3 else 0.0
    pole = rng.uniform(0, 1, 2) * (aspect, 0.6)
    for _ in range(int(rng.integers(80, 500))):
        at = rng.uniform(0, 1, 2) * (aspect, 1)
        light = 0.06 * float(rng.pareto(1.1) + 0.2)
        away = at - pole
        turns = np.linspace(0, trail, 24 if trail else 1)
        arc = pole + np.stack(
            [
                away[0] * np.cos(turns) - away[1] * np.sin(turns),
                away[0] * np.sin(turns) + away[1] * np.cos(turns),
            ],
            axis=-1,
        )
        line = np.rint(arc * (size[0] - 1) * 16).astype(np.int32)
        if len(line) == 1:
            row, column = np.clip(line[0][::-1] // 16, 0, np.array(size) - 1)
            stars[row, column] += min(light * 4, 8.0)
        else:
            cv2.polylines(stars, [line], False, min(light, 2.0), 1, cv2.LINE_AA, 4)
    picture = picture + cv2.GaussianBlur(stars, (0, 0), 0.7)[..., None] * colour(0.95, 0.97, 1.0)
    if rng.random() < 0.3:
        moon = float(rng.uniform(0, aspect)), float(rng.uniform(0.1, 0.5))
        picture += np.clip(glow(size, *moon, 0.02) * 6 - 3, 0, 1)[..., None] * colour(6, 5.6, 5)
    land = float(rng.uniform(0.7, 0.98)) + 0.08 * ridge(rng, size[1], 0.5)[None]
    picture = mix(picture, black * 0.3, (y > land).astype(np.float32))
    for _ in range(int(rng.integers(0, 12))):
        lamp = float(rng.uniform(0, aspect)), float(rng.uniform(0.8, 0.95))
        picture += glow(size, *lamp, 0.006)[..., None] * colour(3, 1.8, 0.6)
    return picture


def painters() -> dict[str, Callable[[np.random.Generator, Size], Pixels]]:
    """Return the painters of this module by scene name."""
    return {
        "doorway": _doorway,
        "half-black": _half_black,
        "leafy-edges": _leafy_edges,
        "night-sky": _night_sky,
    }
