"""The ground of landscapes: its height, and what grows on it."""

from typing import Any

import numpy as np

from ..geometry import Pixels
from .lattice import cells, compiled, hashed, octaves, ridged, step

CROPS = np.array(
    [
        [0.085, 0.125, 0.030],
        [0.060, 0.110, 0.028],
        [0.300, 0.225, 0.085],
        [0.360, 0.300, 0.030],
        [0.130, 0.090, 0.055],
        [0.110, 0.150, 0.045],
        [0.220, 0.180, 0.080],
    ]
)
FIELD_M, TREE_M = 110.0, 7.0


@compiled
def height(land: Any, x: float, z: float, fine: float) -> float:
    """Return the height of the ground, m; detail finer than `fine` metres is left out."""
    far = step(400.0, 6000.0, z)
    h = land.rise_m * step(30.0, 1500.0, z)
    if land.mountains_m > 0:
        u, v = x / 2600.0, z / 2600.0
        h += land.mountains_m * far * ridged(u, v, land.seed, 11, fine / 2600.0)
    u, v = x / 320.0, z / 320.0
    rolling = octaves(u, v, land.seed + 40, 10, fine / 320.0, 0.42)
    h += land.hills_m * (0.25 + 0.75 * step(20.0, 500.0, z)) * (rolling + 0.15)
    if z < 400.0:
        h += 0.18 * octaves(x * 0.7, z * 0.7, land.seed + 80, 9, fine * 0.7, 0.55)
    if land.wood > 0 and fine < 14.0 and h > land.sea_m + 1.5:
        h += trees(land, x, z, fine)
    return h


@compiled
def wooded(land: Any, x: float, z: float) -> float:
    """Return the share of a place that trees cover."""
    patch = octaves(x / 260.0, z / 260.0, land.seed + 120, 5, 0.0, 0.6)
    return step(0.30 - land.wood, 0.31 - land.wood, patch) * step(150.0, 160.0, z)


@compiled
def hedged(land: Any, x: float, z: float) -> float:
    """Return 1 on the hedges that part fields."""
    if land.fields <= 0 or z < 90.0:
        return 0.0
    bent = 0.12 * octaves(x / 90.0, z / 90.0, land.seed + 150, 3, 0.0, 0.5)
    _, border, _ = cells(x / FIELD_M + bent, z / FIELD_M - bent, land.seed + 160)
    return 1.0 - step(0.018, 0.034, border)


@compiled
def trees(land: Any, x: float, z: float, fine: float) -> float:
    """Return the height of tree tops above the ground, m."""
    cover = wooded(land, x, z)
    hedge = hedged(land, x, z)
    if cover <= 0 and hedge <= 0:
        return 0.0
    away, _, kind = cells(x / TREE_M, z / TREE_M, land.seed + 200)
    crown = np.sqrt(max(1.0 - (away / 0.62) ** 2, 0.0)) * (0.6 + 0.4 * kind)
    rough = 0.25 * octaves(x, z, land.seed + 210, 5, fine, 0.7)
    return max(cover * 9.0, hedge * 2.2 * (0.4 + kind)) * (crown + rough * (0.3 + crown))


@compiled
def ground(land: Any, x: float, z: float, h: float, steep: float, fine: float, ink: Pixels) -> None:
    """Put the reflectance of the ground into `ink`."""
    speck = octaves(x * 1.3, z * 1.3, land.seed + 300, 8, fine * 1.3, 0.75)
    wide = octaves(x / 45.0, z / 45.0, land.seed + 310, 5, fine / 45.0, 0.6)
    dry = min(max(0.5 + 0.9 * wide + land.season, 0.0), 1.0)
    red, green, blue = 0.065 + 0.14 * dry, 0.105 + 0.065 * dry, 0.026 + 0.035 * dry
    meadow = step(
        -0.1, 0.1, octaves(x / 400.0, z / 400.0, land.seed + 320, 3, 0.0, 0.5) - 0.5 + land.fields
    )
    if meadow > 0 and z > 60.0:
        bent = 0.12 * octaves(x / 90.0, z / 90.0, land.seed + 150, 3, 0.0, 0.5)
        _, _, kind = cells(x / FIELD_M + bent, z / FIELD_M - bent, land.seed + 160)
        crop = CROPS[int(kind * 6.999)]
        lay = 3.1 * hashed(int(kind * 1e6), 3, land.seed)
        row = np.sin((x * np.cos(lay) + z * np.sin(lay)) * 1.6) * step(8.0, 1.0, fine)
        shade = 1.0 + 0.16 * row
        red += (crop[0] * shade - red) * meadow
        green += (crop[1] * shade - green) * meadow
        blue += (crop[2] * shade - blue) * meadow
    wood = max(wooded(land, x, z), hedged(land, x, z)) if land.wood > 0 else 0.0
    if wood > 0:
        _, _, kind = cells(x / TREE_M, z / TREE_M, land.seed + 200)
        red += (0.022 + 0.040 * kind + 0.10 * land.season * kind - red) * wood
        green += (0.048 + 0.036 * kind - green) * wood
        blue += (0.014 + 0.010 * kind - blue) * wood
    bare = step(0.85 - 0.5 * land.rock, 1.25 - 0.5 * land.rock, steep + 0.25 * wide)
    bare = bare if wood <= 0 else 0.0
    layer = 0.8 + 0.35 * octaves(x / 30.0, h / 2.5, land.seed + 330, 6, fine / 2.5, 0.6)
    red, green = red + (0.23 * layer - red) * bare, green + (0.20 * layer - green) * bare
    blue += (0.17 * layer - blue) * bare
    sand = step(2.2, 0.6, h - land.sea_m + 0.8 * wide)
    red, green = red + (0.42 - red) * sand, green + (0.345 - green) * sand
    blue += (0.245 - blue) * sand
    snow = (
        step(-30.0, 30.0, h - land.snow_m + 90.0 * wide)
        * step(1.25, 0.75, steep)
        * (1 - 0.8 * wood)
    )
    red, green = red + (0.84 - red) * snow, green + (0.87 - green) * snow
    blue += (0.91 - blue) * snow
    mottle = 1.0 + speck * (0.75 - 0.55 * snow - 0.35 * sand)
    ink[0], ink[1], ink[2] = red * mottle, green * mottle, blue * mottle
