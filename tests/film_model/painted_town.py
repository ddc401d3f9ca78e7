"""Painted scenes of a town by the sea: harbour, boats, lighthouse, night street, still life."""

from collections.abc import Callable

import numpy as np

from .brush import Size, box, colour, glow, grid, mirrored_below, mix, noise, polygon, ridge, sky
from .geometry import Pixels

WALLS = (
    (0.50, 0.30, 0.12),
    (0.42, 0.10, 0.07),
    (0.55, 0.52, 0.44),
    (0.20, 0.30, 0.34),
    (0.60, 0.44, 0.16),
    (0.16, 0.24, 0.16),
    (0.48, 0.24, 0.20),
)
HULLS = (
    (0.45, 0.05, 0.04),
    (0.04, 0.10, 0.28),
    (0.60, 0.58, 0.54),
    (0.05, 0.18, 0.14),
    (0.55, 0.32, 0.04),
)


def _house(
    picture: Pixels, rng: np.random.Generator, x0: float, wide: float, eaves: float, foot: float
) -> Pixels:
    """Paint one gabled house with its windows."""
    size: Size = picture.shape[0], picture.shape[1]
    peak = eaves - wide * rng.uniform(0.35, 0.6)
    roof = colour(0.16, 0.055, 0.035) * rng.uniform(0.5, 1.3)
    grain = (0.75 + 0.5 * noise(rng, size, 6, 12, 1, 0.7))[..., None]
    wall = colour(*WALLS[int(rng.integers(len(WALLS)))]) * rng.uniform(0.7, 1.15) * grain
    picture = mix(picture, wall, box(size, x0, eaves, x0 + wide, foot))
    outline = [(x0 - 0.012, eaves), (x0 + wide / 2, peak), (x0 + wide + 0.012, eaves)]
    picture = mix(picture, roof * grain, polygon(size, outline))
    columns = max(2, round(wide / 0.065))
    rows = max(1, round((foot - eaves) / 0.095))
    for row in range(rows):
        for column in range(columns):
            x = x0 + wide * (column + 0.5) / columns
            y = eaves + (foot - eaves) * (row + 0.42) / rows
            picture = mix(
                picture,
                colour(0.62, 0.60, 0.55),
                box(size, x - 0.017, y - 0.028, x + 0.017, y + 0.028),
            )
            glass = colour(0.035, 0.045, 0.06) * rng.uniform(0.5, 3.0)
            picture = mix(picture, glass, box(size, x - 0.012, y - 0.022, x + 0.012, y + 0.022))
    return picture


def _boat(
    picture: Pixels, rng: np.random.Generator, x0: float, water: float, scale: float
) -> Pixels:
    """Paint a boat with cabin or sail, standing on a water line."""
    size: Size = picture.shape[0], picture.shape[1]
    hull = colour(*HULLS[int(rng.integers(len(HULLS)))])
    deck = water - 0.055 * scale
    mast = deck - 0.34 * scale
    thin = 0.0035 * scale
    picture = mix(picture, colour(0.18, 0.11, 0.05), box(size, x0 - thin, mast, x0 + thin, deck))
    if rng.random() < 0.5:
        sail = [
            (x0 + 0.01 * scale, mast + 0.02 * scale),
            (x0 + 0.15 * scale, deck - 0.03 * scale),
            (x0 + 0.01 * scale, deck - 0.02 * scale),
        ]
        picture = mix(picture, colour(0.72, 0.66, 0.54), polygon(size, sail))
    else:
        picture = mix(
            picture,
            colour(0.62, 0.60, 0.55),
            box(size, x0 + 0.02 * scale, deck - 0.06 * scale, x0 + 0.12 * scale, deck),
        )
        picture = mix(
            picture,
            colour(0.03, 0.04, 0.05),
            box(
                size,
                x0 + 0.035 * scale,
                deck - 0.045 * scale,
                x0 + 0.105 * scale,
                deck - 0.018 * scale,
            ),
        )
    side = [
        (x0 - 0.17 * scale, deck - 0.012 * scale),
        (x0 + 0.17 * scale, deck),
        (x0 + 0.13 * scale, water),
        (x0 - 0.12 * scale, water),
    ]
    picture = mix(picture, hull, polygon(size, side))
    return mix(
        picture,
        colour(0.7, 0.68, 0.62),
        polygon(
            size,
            [
                (x0 - 0.17 * scale, deck - 0.012 * scale),
                (x0 + 0.17 * scale, deck),
                (x0 + 0.168 * scale, deck + 0.010 * scale),
                (x0 - 0.164 * scale, deck),
            ],
        ),
    )


def _harbour(rng: np.random.Generator, size: Size) -> Pixels:
    _, y = grid(size)
    aspect = size[1] / size[0]
    water = float(rng.uniform(0.58, 0.66))
    picture = sky(rng, size, (0.22, 0.36, 0.62), (0.62, 0.70, 0.78), water, cover=0.5)
    hill = water - 0.22 + 0.10 * ridge(rng, size[1], 0.5)
    wood = colour(0.05, 0.085, 0.035) * (0.4 + 1.2 * noise(rng, size, 8, 6, 1, 0.75))[..., None]
    picture = mix(picture, wood, np.clip((y - hill[None]) * size[0] / 3, 0, 1))
    quay = water - 0.045
    x = -0.05
    while x < aspect:
        wide = float(rng.uniform(0.13, 0.24))
        picture = _house(picture, rng, x, wide, quay - float(rng.uniform(0.16, 0.30)), quay)
        x += wide + float(rng.choice([0.004, 0.004, 0.05]))
    stone = colour(0.20, 0.18, 0.155) * (0.6 + 0.7 * noise(rng, size, 7, 20, 1, 0.8))[..., None]
    picture = mix(picture, stone, box(size, -0.1, quay, aspect + 0.1, water))
    for _ in range(int(rng.integers(2, 5))):
        picture = _boat(
            picture,
            rng,
            float(rng.uniform(0.1, aspect - 0.1)),
            water + 0.004,
            float(rng.uniform(0.6, 1.0)),
        )
    return mirrored_below(picture, water, rng)


def _boats(rng: np.random.Generator, size: Size) -> Pixels:
    aspect = size[1] / size[0]
    water = float(rng.uniform(0.62, 0.70))
    picture = sky(rng, size, (0.30, 0.40, 0.56), (0.70, 0.72, 0.72), water, cover=0.7)
    _, y = grid(size)
    coast = water - 0.05 + 0.04 * ridge(rng, size[1], 0.5)
    picture = mix(picture, colour(0.14, 0.17, 0.18), np.clip((y - coast[None]) * size[0] / 2, 0, 1))
    for place in range(3):
        picture = _boat(
            picture,
            rng,
            (place + float(rng.uniform(0.3, 0.7))) * aspect / 3,
            water + 0.003,
            float(rng.uniform(1.1, 1.7)),
        )
    return mirrored_below(picture, water, rng, 0.6)


def _lighthouse(rng: np.random.Generator, size: Size) -> Pixels:
    _, y = grid(size)
    aspect = size[1] / size[0]
    horizon = 0.66
    picture = sky(rng, size, (0.18, 0.30, 0.56), (0.58, 0.66, 0.76), horizon, cover=0.45)
    ripple = noise(rng, size, 7, 12, 6.0, 0.7)
    sea = colour(0.06, 0.13, 0.17) * (0.3 + 1.5 * ripple)[..., None]
    picture = np.where((y > horizon)[..., None], sea, picture)
    x0 = float(rng.uniform(0.3, 0.7)) * aspect
    line = 0.80 - 0.17 * np.exp(-(((grid(size)[0][0] - x0) / 0.4) ** 2))
    line = line + 0.05 * ridge(rng, size[1], 0.6)
    rock = colour(0.20, 0.165, 0.12) * (0.15 + 1.4 * noise(rng, size, 8, 7, 1, 0.8))[..., None]
    picture = mix(picture, rock, np.clip((y - line[None]) * size[0] / 2, 0, 1))
    shade = np.clip(1.1 - (grid(size)[0] - x0 + 0.05) * 6.0, 0.35, 1.1)[..., None]
    top, foot = 0.20, 0.66
    for band in range(6):
        y0, y1 = (top + (foot - top) * k / 6 for k in (band, band + 1))
        w0, w1 = (0.040 + 0.022 * (v - top) / (foot - top) for v in (y0, y1))
        paint = colour(0.50, 0.045, 0.03) if band % 2 else colour(0.78, 0.76, 0.72)
        tower = polygon(size, [(x0 - w0, y0), (x0 + w0, y0), (x0 + w1, y1), (x0 - w1, y1)])
        picture = mix(picture, paint * shade, tower)
    picture = mix(picture, colour(0.05, 0.05, 0.055), box(size, x0 - 0.052, 0.185, x0 + 0.052, top))
    picture = mix(picture, colour(0.7, 0.62, 0.38), box(size, x0 - 0.028, 0.125, x0 + 0.028, 0.185))
    return mix(
        picture,
        colour(0.30, 0.03, 0.025),
        polygon(size, [(x0 - 0.040, 0.125), (x0, 0.075), (x0 + 0.040, 0.125)]),
    )


def _street_night(rng: np.random.Generator, size: Size) -> Pixels:
    aspect = size[1] / size[0]
    _, y = grid(size)
    picture = mix(colour(0.004, 0.006, 0.014), colour(0.016, 0.014, 0.016), y)
    x = -0.1
    while x < aspect:
        wide, top = float(rng.uniform(0.16, 0.32)), float(rng.uniform(0.16, 0.44))
        picture = _night_house(picture, rng, x, wide, top)
        x += wide
    wet = 0.3 + 1.4 * noise(rng, size, 7, 10, 2.5, 0.75)
    picture = np.where((y > 0.74)[..., None], colour(0.008, 0.008, 0.010) * wet[..., None], picture)
    for lamp in range(4):
        x0 = (lamp + float(rng.uniform(0.2, 0.8))) * aspect / 4
        y0 = float(rng.uniform(0.34, 0.44))
        warm = colour(1.0, 0.58, 0.18) if rng.random() < 0.8 else colour(0.70, 0.92, 1.0)
        post = box(size, x0 - 0.004, y0, x0 + 0.004, 0.78)
        picture = mix(picture, colour(0.006, 0.006, 0.006), post)
        picture += glow(size, x0, y0, 0.008)[..., None] * warm * 24
        picture += glow(size, x0, y0, 0.030)[..., None] * warm * 0.5
        picture += glow(size, x0, y0 + 0.1, 0.16)[..., None] * warm * 0.05
        path = np.exp(-(((grid(size)[0] - x0) / 0.045) ** 2)) * np.clip((y - 0.76) * 8, 0, 1)
        picture += (path * np.clip(wet * 1.6 - 0.9, 0, 2))[..., None] * warm * 0.9
    return picture


def _night_house(
    picture: Pixels, rng: np.random.Generator, x0: float, wide: float, top: float
) -> Pixels:
    size: Size = picture.shape[0], picture.shape[1]
    wall = colour(0.020, 0.015, 0.011) * rng.uniform(0.3, 1.6)
    rough = (0.5 + noise(rng, size, 6, 14, 1, 0.8))[..., None]
    picture = mix(picture, wall * rough, box(size, x0, top, x0 + wide, 0.76))
    columns, rows = max(2, round(wide / 0.075)), max(2, round((0.74 - top) / 0.12))
    for row in range(rows):
        for column in range(columns):
            x, y = x0 + wide * (column + 0.5) / columns, top + (0.74 - top) * (row + 0.5) / rows
            lit = rng.random() < 0.32
            pane = colour(0.62, 0.36, 0.12) * rng.uniform(0.3, 1.8) if lit else wall * 0.35
            picture = mix(picture, pane, box(size, x - 0.016, y - 0.027, x + 0.016, y + 0.027))
            if lit:
                bar = box(size, x - 0.016, y - 0.004, x + 0.016, y - 0.001)
                picture = mix(picture, wall, bar)
    return picture


def _still_life(rng: np.random.Generator, size: Size) -> Pixels:
    x, y = grid(size)
    aspect = size[1] / size[0]
    plaster = (0.55 + 0.6 * np.exp(-x / aspect)) * (0.85 + 0.3 * noise(rng, size, 7, 5, 1, 0.75))
    wall = colour(*rng.uniform(0.10, 0.30, 3)) * plaster[..., None]
    table = colour(0.20, 0.11, 0.055) * (0.35 + 1.1 * noise(rng, size, 7, 5, 14.0, 0.75))[..., None]
    picture = np.where((y < 0.62)[..., None], wall, table).astype(np.float32)
    paints = [
        (0.52, 0.05, 0.035),
        (0.62, 0.40, 0.03),
        (0.16, 0.26, 0.05),
        (0.60, 0.20, 0.03),
        (0.40, 0.14, 0.03),
        (0.55, 0.30, 0.04),
        (0.28, 0.035, 0.06),
    ]
    for place in range(5):
        radius = float(rng.uniform(0.085, 0.16))
        x0 = (place + float(rng.uniform(0.35, 0.65))) * aspect / 5
        y0 = 0.74 - radius + float(rng.uniform(-0.02, 0.08))
        picture = _fruit(picture, rng, x0, y0, radius, paints[int(rng.integers(len(paints)))])
    return picture


def _fruit(
    picture: Pixels,
    rng: np.random.Generator,
    x0: float,
    y0: float,
    radius: float,
    paint: tuple[float, float, float],
) -> Pixels:
    size: Size = picture.shape[0], picture.shape[1]
    x, y = grid(size)
    shadow = np.exp(-(((x - x0 - 0.05) / radius / 1.3) ** 2 + ((y - y0 - radius) / 0.035) ** 2))
    picture = picture * (1 - 0.7 * shadow[..., None] * (y > 0.6)[..., None])
    across, down = (x - x0) / radius, (y - y0) / radius
    depth = np.sqrt(np.clip(1 - across**2 - down**2, 0, 1))
    shade = np.clip(-0.5 * across - 0.55 * down + 0.65 * depth, 0, 1) + 0.06
    shine = np.exp(-((across + 0.38) ** 2 + (down + 0.42) ** 2) / 0.014)
    skin = 0.6 + 0.8 * noise(rng, size, 7, 8, 1, 0.75)
    ball = colour(*paint) * (shade * skin)[..., None]
    inside = np.clip((1 - np.hypot(across, down)) * radius * size[0], 0, 1)
    picture = mix(picture, ball + shine[..., None] * 0.9, inside)
    stalk = [
        (x0 - 0.004, y0 - radius + 0.01),
        (x0 + 0.006, y0 - radius - 0.035),
        (x0 + 0.012, y0 - radius - 0.033),
        (x0 + 0.006, y0 - radius + 0.012),
    ]
    return mix(picture, colour(0.06, 0.04, 0.02), polygon(size, stalk))


def painters() -> dict[str, Callable[[np.random.Generator, Size], Pixels]]:
    """Return the painters of this module by scene name."""
    return {
        "harbour": _harbour,
        "boats": _boats,
        "lighthouse": _lighthouse,
        "street-night": _street_night,
        "still-life": _still_life,
    }
