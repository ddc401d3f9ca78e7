"""Rendered scenes by name: landscapes, tabletops, house fronts, and a harbour at dusk."""

from collections.abc import Callable
from functools import lru_cache

import cv2
import numpy as np

from ..geometry import Pixels
from .masonry import Front, lit_front
from .tabletop import Table, traced
from .terrain import Land, depths, landscape

Size = tuple[int, int]

LANDS = {
    "valley": Land(0, eye_m=45, horizon=0.33, hills_m=60, wood=0.35),
    "lake": Land(0, eye_m=80, horizon=0.22, hills_m=60, sea_m=-8, wood=0.35),
    "bay": Land(
        0, eye_m=22, horizon=0.36, hills_m=55, mountains_m=500, rise_m=10, sea_m=5, wood=0.3
    ),
    "peaks": Land(
        0,
        eye_m=26,
        horizon=0.52,
        hills_m=40,
        mountains_m=1700,
        rise_m=40,
        sea_m=3,
        snow_m=300,
        fields=0,
        cover=0.3,
        sight_m=16000,
    ),
    "heath": Land(
        0,
        eye_m=20,
        horizon=0.4,
        rise_m=-60,
        sea_m=-20,
        mountains_m=0,
        fields=0,
        wood=0,
        rock=0.9,
        sun_deg=(-100, 30),
    ),
    "autumn": Land(
        0,
        eye_m=60,
        horizon=0.25,
        hills_m=70,
        wood=0.45,
        season=0.4,
        sun_deg=(70, 20),
        sun=(1.9, 1.55, 1.08),
    ),
    "snowfield": Land(
        0, eye_m=30, horizon=0.3, mountains_m=700, snow_m=-100, fields=0.2, sun_deg=(-50, 14)
    ),
    "mist": Land(
        0,
        eye_m=40,
        horizon=0.36,
        sight_m=1200,
        cover=0,
        haze=(0.75, 0.75, 0.74),
        sun_deg=(30, 25),
        sun=(1.2, 1.05, 0.85),
    ),
    "evening": Land(
        0,
        eye_m=12,
        sea_m=8,
        mountains_m=500,
        wood=0.1,
        sun_deg=(12, 5.5),
        sun=(2.2, 1.2, 0.5),
        shade=(0.14, 0.16, 0.24),
        zenith=(0.10, 0.17, 0.36),
        haze=(0.85, 0.48, 0.26),
        cloud=(0.9, 0.5, 0.35),
        cover=0.35,
    ),
}
DUSK = Land(
    0,
    eye_m=14,
    sea_m=7,
    mountains_m=420,
    wood=0.2,
    fields=0.2,
    sun_deg=(60, 3),
    sun=(0.09, 0.05, 0.04),
    shade=(0.030, 0.044, 0.085),
    zenith=(0.018, 0.035, 0.115),
    haze=(0.22, 0.15, 0.13),
    cloud=(0.09, 0.07, 0.09),
    cover=0.3,
    wave=0.3,
)
LAMPS = ((1.0, 0.55, 0.17), (1.0, 0.62, 0.25), (0.9, 0.95, 0.85), (0.35, 1.0, 0.5), (1.0, 0.2, 0.1))
SKINS = (
    (1, (0.72, 0.30, 0.03), 0.42, 1.0),
    (1, (0.78, 0.62, 0.06), 0.35, 0.86),
    (2, (0.55, 0.42, 0.10), 0.40, 0.94),
    (2, (0.42, 0.40, 0.09), 0.39, 0.96),
    (3, (0.16, 0.03, 0.10), 0.27, 1.0),
    (0, (0.70, 0.62, 0.50), 0.27, 1.25),
)
PAINTS = (
    (0.055, 0.17, 0.20),
    (0.30, 0.045, 0.035),
    (0.035, 0.085, 0.22),
    (0.07, 0.15, 0.055),
    (0.48, 0.40, 0.22),
    (0.42, 0.26, 0.05),
)
WALLS = ((0.42, 0.36, 0.27), (0.16, 0.26, 0.30), (0.34, 0.20, 0.15), (0.30, 0.33, 0.24))


def _egg(x: float, z: float, kind: int) -> list[float]:
    skin, paint, radius, high = SKINS[kind]
    return [0, x, radius * high, z, radius, radius * high, radius, 0.0, *paint, skin]


def _solids(rng: np.random.Generator) -> Pixels:
    """Return fruit in two rows before a jug and books."""
    glaze = rng.uniform(0.05, 0.35, 3)
    jug = [(1, 0.85, 0.42, 0.85), (0, 1.7, 0.42, 0.36), (1, 2.15, 0.16, 0.35)]
    x = float(rng.choice([-1.55, 1.55]))
    solids = [[kind, x, y, 1.25, r, high, r, 0.0, *glaze, 3] for kind, y, r, high in jug]
    top = 0.0
    for _ in range(3):
        thick = float(rng.uniform(0.09, 0.15))
        turn, cover = float(rng.uniform(-0.25, 0.35)), rng.uniform(0.03, 0.45, 3)
        solids.append([2, -x, top + thick, 1.1, 0.72, thick, 0.5, turn, *cover, 4])
        top += 2 * thick
    for row, z in enumerate((0.3, -0.65)):
        count = 4 - row
        for place in range(count):
            at = (place - (count - 1) / 2) * 0.93 + float(rng.uniform(-0.06, 0.06))
            solids.append(_egg(at, z + float(rng.uniform(-0.06, 0.06)), int(rng.integers(6))))
    return np.array(solids, np.float64)


def _fruit(seed: int, size: Size) -> Pixels:
    rng = np.random.default_rng([seed, 31])
    wall = WALLS[int(rng.integers(len(WALLS)))]
    table = Table(seed, _solids(rng), wall, cloth=float(rng.random() < 0.4))
    return np.asarray(traced(table, *size))


def _front(seed: int, size: Size) -> Pixels:
    rng = np.random.default_rng([seed, 32])
    brick = ((0.33, 0.105, 0.060), (0.42, 0.33, 0.22), (0.26, 0.13, 0.09))[int(rng.integers(3))]
    paint, door = (PAINTS[i] for i in rng.permutation(len(PAINTS))[:2])
    side = float(rng.choice([-0.6, 0.55]))
    front = Front(seed, brick=brick, paint=paint, door=door, to_sun=(side, 0.58, 0.55))
    if size[0] > size[1]:
        front = front._replace(wide_m=2.5, window=(0.75, 0.85, 1.65, 2.05), doorway=(9, 0, 9, 0))
    return np.asarray(lit_front(front._replace(ivy=float(rng.uniform(-0.1, 0.5))), *size))


def _dusk(seed: int, size: Size) -> Pixels:
    """Return a shore after sunset, its lamps mirrored in the water."""
    land, (rows, columns) = DUSK._replace(seed=seed), size
    light, depth = landscape(land, size), depths(land, columns, rows)
    rng = np.random.default_rng([seed, 33])
    lamps, streaks = np.zeros_like(light), np.zeros_like(light)
    ahead = np.flatnonzero((depth > 300).any(axis=1) & (depth < 2500).any(axis=1))
    quay = int(np.median(ahead)) if ahead.size else int(0.5 * rows)
    for _ in range(int(rng.integers(26, 40))):
        x, y = int(rng.integers(columns)), quay - int(rng.gamma(1.5, 0.012) * rows)
        paint = np.array(LAMPS[int(min(rng.exponential(1.1), 4))], np.float32)
        bright = float(rng.uniform(0.5, 2.0))
        lamps[y, x] += paint * bright
        long = quay + (quay - y) + int(float(rng.uniform(0.05, 0.30)) * rows)
        streaks[min(quay, rows - 1) : min(long, rows), x] += paint * bright
    ripple = cv2.resize(
        rng.random((rows // 3, max(columns // 40, 2)), dtype=np.float32), (columns, rows)
    )
    px = rows / 480
    for sigma, share in ((0.8, 26.0), (5.0, 110.0), (30.0, 420.0)):
        light = light + cv2.GaussianBlur(lamps, (0, 0), sigma * px) * (share * px * px)
    wide = cv2.GaussianBlur(streaks, (0, 0), 2.2 * px, sigmaY=0.5)
    glint = np.clip(ripple * 2.6 - 1.0, 0, 1) ** 2
    return light + wide * (glint * 3.0 * px)[..., None]


def _land(name: str) -> Callable[[int, Size], Pixels]:
    return lambda seed, size: landscape(LANDS[name]._replace(seed=seed), size)


def _makers() -> dict[str, Callable[[int, Size], Pixels]]:
    own = {"fruit": _fruit, "front": _front, "dusk": _dusk}
    return own | {name: _land(name) for name in LANDS}


def rendered_names() -> list[str]:
    """Return the names of all rendered scenes."""
    return list(_makers())


@lru_cache(maxsize=8)
def render(name: str, size: Size, seed: int) -> Pixels:
    """Return a scene as linear sRGB, height x width x 3; KeyError if unknown."""
    return np.maximum(_makers()[name](seed, size), 0).astype(np.float32)
