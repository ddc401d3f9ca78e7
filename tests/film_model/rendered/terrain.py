"""Landscapes: a height field seen in perspective, lit by sun and sky, with clouds and water."""

from typing import NamedTuple

import cv2
import numpy as np

from ..geometry import Pixels
from .ground import ground, height
from .lattice import compiled, octaves, step

NEAR_M, DEPTHS = 1.2, 1400
SHADOW_STEPS = 34


class Land(NamedTuple):
    """A landscape and its light; lengths in metres, angles in degrees, light linear sRGB.

    Mountains, hills and knolls are heights; wood, fields, snow and village are shares of the land.
    The horizon stands at a share of the picture's height; sun_deg is (to the right, up).
    """

    seed: int
    eye_m: float = 12.0
    horizon: float = 0.42
    focal: float = 1.5
    far_m: float = 16000.0
    sea_m: float = -50.0
    mountains_m: float = 300.0
    hills_m: float = 40.0
    rise_m: float = 0.0
    wood: float = 0.4
    fields: float = 0.5
    snow_m: float = 9999.0
    rock: float = 0.3
    sun_deg: tuple[float, float] = (-60.0, 32.0)
    sun: tuple[float, float, float] = (1.45, 1.30, 1.08)
    shade: tuple[float, float, float] = (0.17, 0.22, 0.32)
    zenith: tuple[float, float, float] = (0.13, 0.25, 0.55)
    haze: tuple[float, float, float] = (0.60, 0.70, 0.82)
    sight_m: float = 9000.0
    cover: float = 0.45
    cloud: tuple[float, float, float] = (1.05, 1.03, 1.0)
    wave: float = 0.35
    season: float = 0.0


@compiled
def depths(land: Land, columns: int, rows: int) -> Pixels:
    """Return how far off the ground is at each pixel, m along the view; 0 is sky."""
    out = np.zeros((rows, columns), np.float32)
    horizon, focal = land.horizon * rows, land.focal * rows
    eye = max(height(land, 0.0, 0.0, 1.0), land.sea_m) + land.eye_m
    ratio = (land.far_m / NEAR_M) ** (1.0 / DEPTHS)
    for column in range(columns):
        slope = (column - columns / 2) / focal
        top, before, far = float(rows), float(rows) + 1e6, NEAR_M
        for k in range(DEPTHS):
            z = NEAR_M * ratio**k
            h = max(height(land, slope * z, z, 2.0 * z / focal), land.sea_m)
            row = horizon + focal * (eye - h) / z
            if row < top:
                for q in range(max(int(np.ceil(row)), 0), int(np.ceil(top))):
                    if q >= rows:
                        continue
                    share = min(max((before - q) / max(before - row, 1e-6), 0.0), 1.0)
                    # Lines of equal depth lie evenly in 1 / z.
                    out[q, column] = 1.0 / ((1 - share) / far + share / z)
                top = row
            before, far = row, z
            if top <= 0:
                break
    return out


@compiled
def sunlit(land: Land, depth: Pixels, focal: float, to_sun: Pixels) -> Pixels:
    """Return the share of the sun's disc that each pixel of a picture of depths sees."""
    rows, columns = depth.shape
    out = np.ones((rows, columns), np.float32)
    for q in range(rows):
        for column in range(columns):
            z = depth[q, column]
            if z <= 0:
                continue
            x = (column - columns / 2) / focal * z
            y = max(height(land, x, z, 6.0 * z / focal), land.sea_m) + 0.004 * z + 0.3
            clear, reach = 1.0, 0.012 * z + 0.5
            for _ in range(SHADOW_STEPS):
                above = (
                    y
                    + to_sun[1] * reach
                    - height(
                        land,
                        x + to_sun[0] * reach,
                        z + to_sun[2] * reach,
                        0.05 * reach + 4.0 * z / focal,
                    )
                )
                clear = min(clear, 0.5 + 24.0 * above / reach)
                if clear <= 0:
                    break
                reach *= 1.17
            out[q, column] = min(max(clear, 0.0), 1.0)
    return out


@compiled
def sky_colour(land: Land, x: float, y: float, to_sun: Pixels, out: Pixels, fine: float) -> None:
    """Put the sky's light in a direction (x, y, 1) into `out`."""
    long = np.sqrt(x * x + y * y + 1.0)
    up = max(y / long, 0.0)
    toward = max((x * to_sun[0] + y * to_sun[1] + to_sun[2]) / long, 0.0)
    pale = np.exp(-5.0 * up)
    veil = 0.30 * toward**8 + 0.5 * toward**64 + 9.0 * step(0.99982, 0.99992, toward)
    thick, lit = 0.0, 0.0
    if land.cover > 0.0:
        far = 1.0 / (up + 0.05)
        u, v = 0.55 * x * far + land.seed * 3.1, 0.55 * far + land.seed * 7.7
        puff = octaves(u, v, 900 + land.seed, 9, fine * far * 2.0, 0.55)
        near = octaves(u + 0.12 * to_sun[0], v + 0.12 * to_sun[2], 900 + land.seed, 5, 0.01, 0.55)
        thick = step(0.5 - land.cover, 1.0 - land.cover, puff + 0.35) * step(0.0, 0.10, up)
        lit = min(max(0.72 + 1.1 * (puff - near), 0.35), 1.25)
    for c in range(3):
        clear = land.zenith[c] + (land.haze[c] - land.zenith[c]) * pale + veil * land.sun[c]
        out[c] = clear + (land.cloud[c] * lit - clear) * thick * 0.92


@compiled
def shaded(land: Land, depth: Pixels, clear: Pixels, focal: float, to_sun: Pixels) -> Pixels:
    """Return the light of sky and dry land; water is left to be filled in."""
    rows, columns = depth.shape
    out = np.zeros((rows, columns, 3), np.float32)
    ink, horizon = np.zeros(3, np.float32), land.horizon * rows
    for q in range(rows):
        for column in range(columns):
            slope, z = (column - columns / 2) / focal, depth[q, column]
            if z <= 0:
                sky_colour(land, slope, (horizon - q) / focal, to_sun, out[q, column], 1.0 / focal)
                continue
            fine = 2.0 * z / focal
            x, d = slope * z, max(0.4 * fine, 0.004)
            h = height(land, x, z, fine)
            if h < land.sea_m:
                continue
            gx = (height(land, x + d, z, fine) - h) / d
            gz = (height(land, x, z + d, fine) - h) / d
            ground(land, x, z, h, np.hypot(gx, gz), fine, ink)
            norm = np.sqrt(gx * gx + gz * gz + 1.0)
            facing = max((to_sun[1] - gx * to_sun[0] - gz * to_sun[2]) / norm, 0.0)
            hidden = 0.45 + 0.55 / norm
            away = np.exp(-max(z - 60.0, 0.0) / land.sight_m)
            for c in range(3):
                light = land.sun[c] * facing * clear[q, column] + land.shade[c] * hidden
                out[q, column, c] = ink[c] * light * away + 0.92 * land.haze[c] * (1 - away)
    return out


@compiled
def watered(land: Land, depth: Pixels, light: Pixels, focal: float, to_sun: Pixels) -> Pixels:
    """Fill in the water: the mirrored picture and sky by Fresnel's law, the rest its own green."""
    rows, columns = depth.shape
    out, horizon = light.copy(), land.horizon * rows
    sky = np.zeros(3, np.float32)
    for q in range(rows):
        for column in range(columns):
            z = depth[q, column]
            if z <= 0:
                continue
            slope, fine = (column - columns / 2) / focal, 2.0 * z / focal
            x = slope * z
            if height(land, x, z, fine) >= land.sea_m:
                continue
            u, v, f = x * 0.55, z * 0.55, fine * 0.55
            tilt_x = land.wave * octaves(u + 0.37 * v, 0.8 * v, 71 + land.seed, 8, f, 0.6)
            tilt_z = land.wave * octaves(u * 0.5, v, 51 + land.seed, 8, f, 0.6)
            down = (q + 0.5 - horizon) / focal
            up = max(abs(down - 0.55 * tilt_z), 0.004)
            share = 0.02 + 0.98 * (1.0 - min(up + 0.05, 1.0)) ** 5
            row = int(horizon - (down + 0.45 * abs(tilt_z)) * focal)
            side = int(column + 0.30 * tilt_x * focal)
            sky_colour(land, slope + 0.5 * tilt_x, up + 0.2 * abs(tilt_z), to_sun, sky, fine)
            mirrored = 0 <= row < rows and 0 <= side < columns and depth[row, side] > 0
            away = np.exp(-z / land.sight_m)
            deep = min(max((land.sea_m - height(land, x, z, fine)) / 3.0, 0.0), 1.0)
            for c in range(3):
                seen = min(out[row, side, c], 6.0) if mirrored else min(sky[c], 6.0)
                own = (0.010 + 0.020 * c * (2.4 - c)) * (land.shade[1] + 0.35 * land.sun[1]) * 1.6
                own += (1 - deep) * 0.10 * (1.2 - 0.3 * c) * land.sun[c]
                wet = seen * share + own * (1 - share)
                out[q, column, c] = wet * away + 0.92 * land.haze[c] * (1 - away)
    return out


def landscape(land: Land, size: tuple[int, int]) -> Pixels:
    """Return a landscape as linear sRGB, height x width x 3."""
    rows, columns = size
    right, up = np.deg2rad(land.sun_deg)
    to_sun = np.array([np.sin(right) * np.cos(up), np.sin(up), np.cos(right) * np.cos(up)])
    depth = depths(land, columns, rows)
    focal = land.focal * rows
    small = np.ascontiguousarray(depth[::2, ::2])
    clear = sunlit(land, small, focal / 2, to_sun)
    clear = cv2.resize(clear, (columns, rows), interpolation=cv2.INTER_LINEAR)
    light = shaded(land, depth, clear, focal, to_sun)
    return watered(land, depth, light, focal, to_sun)
