"""Things on a table by a window: rays to simple solids, sun through panes, light of the room."""

from typing import NamedTuple

import numpy as np

from ..geometry import Pixels
from .lattice import cells, compiled, hashed, octaves, step

SUN_RAYS, PANE = 6, 1.3
FAR = 1e9


class Table(NamedTuple):
    """A tabletop and its light; lengths in table heights of about 0.3 m, light linear sRGB.

    solids is n x 12: kind (0 egg-shaped, 1 upright cylinder, 2 box), centre x y z, half sizes
    x y z, turn in radians, red, green, blue, skin (0 matt, 1 peel, 2 streaked, 3 glazed, 4 pages).
    """

    seed: int
    solids: Pixels
    wall: tuple[float, float, float] = (0.42, 0.36, 0.27)
    wood: tuple[float, float, float] = (0.24, 0.13, 0.065)
    sun: tuple[float, float, float] = (2.3, 2.0, 1.55)
    room: tuple[float, float, float] = (0.20, 0.23, 0.29)
    to_sun: tuple[float, float, float] = (-0.62, 0.46, -0.64)
    cloth: float = 0.0
    focal: float = 1.9
    eye: tuple[float, float, float] = (0.0, 1.15, -5.2)
    dip: float = 0.15


@compiled
def met(solid: Pixels, o: Pixels, d: Pixels, normal: Pixels) -> float:
    """Return how far a ray goes to a solid, and put its normal there into `normal`."""
    cos, sin = np.cos(solid[7]), np.sin(solid[7])
    ox, oy, oz = o[0] - solid[1], o[1] - solid[2], o[2] - solid[3]
    px, pz, qx, qz = cos * ox + sin * oz, cos * oz - sin * ox, cos * d[0] + sin * d[2], 0.0
    qz = cos * d[2] - sin * d[0]
    px, py, pz = px / solid[4], oy / solid[5], pz / solid[6]
    qx, qy, qz = qx / solid[4], d[1] / solid[5], qz / solid[6]
    nx, ny, nz, far = 0.0, 0.0, 0.0, FAR
    if solid[0] == 2:
        far, axis, side = _boxed(px, py, pz, qx, qy, qz)
        nx, ny, nz = side * (axis == 0), side * (axis == 1), side * (axis == 2)
    else:
        flat = 1.0 if solid[0] != 1 else 0.0
        a, b = qx * qx + qz * qz + flat * qy * qy, px * qx + pz * qz + flat * py * qy
        c = px * px + pz * pz + flat * py * py - 1.0
        root = b * b - a * c
        if root > 0:
            t = (-b - np.sqrt(root)) / a
            y = py + t * qy
            if t > 1e-4 and (flat > 0 or abs(y) <= 1.0):
                far, nx, ny, nz = t, px + t * qx, flat * y, pz + t * qz
        if flat == 0 and qy < 0:
            t = (1.0 - py) / qy
            if 1e-4 < t < far and np.hypot(px + t * qx, pz + t * qz) < 1.0:
                far, nx, ny, nz = t, 0.0, 1.0, 0.0
    if far < FAR:
        nx, ny, nz = nx / solid[4], ny / solid[5], nz / solid[6]
        long = np.sqrt(nx * nx + ny * ny + nz * nz)
        normal[0], normal[1], normal[2] = (
            (cos * nx - sin * nz) / long,
            ny / long,
            (cos * nz + sin * nx) / long,
        )
    return far


@compiled
def _boxed(
    px: float, py: float, pz: float, qx: float, qy: float, qz: float
) -> tuple[float, int, float]:
    """Return distance, axis and side at which a ray enters the cube from -1 to 1."""
    enter, leave, axis, side = -FAR, FAR, 0, 0.0
    for k in range(3):
        p, q = (px, py, pz)[k], (qx, qy, qz)[k]
        q = q if abs(q) > 1e-9 else 1e-9
        first, second = (-1.0 - p) / q, (1.0 - p) / q
        if min(first, second) > enter:
            enter, axis, side = min(first, second), k, -1.0 if q > 0 else 1.0
        leave = min(leave, max(first, second))
    if enter > leave or enter < 1e-4:
        return FAR, 0, 0.0
    return enter, axis, side


@compiled
def panes(x: float, y: float) -> float:
    """Return the share of the sun that a window of six panes lets through at a place of it."""
    u, v = x / PANE + 0.5, y / PANE
    inside = step(-1.0, -0.97, u) * step(2.0, 1.97, u) * step(-0.5, -0.47, v) * step(2.0, 1.97, v)
    level = step(0.035, 0.06, abs(v - np.floor(v + 0.5)))
    upright = step(0.035, 0.06, abs(u - np.floor(u + 0.5)))
    return inside * (level if u < -0.5 or u > 1.5 else upright * level)


@compiled
def sunshine(table: Table, at: Pixels, own: int, seed: int) -> float:
    """Return the share of the sun that reaches a place through the window and past the solids."""
    ray, spare, total = np.empty(3), np.empty(3), 0.0
    for k in range(SUN_RAYS):
        turn = 6.2832 * (k + hashed(seed, k, 5)) / SUN_RAYS
        wide = 0.022 * np.sqrt(hashed(seed, k, 6))
        ray[0] = table.to_sun[0] + wide * np.cos(turn)
        ray[1] = table.to_sun[1] + wide * np.sin(turn)
        ray[2] = table.to_sun[2]
        far = (-4.0 - at[0]) / ray[0]
        light = panes(at[2] + far * ray[2] + 4.2, at[1] + far * ray[1] - 2.3) if far > 0 else 1.0
        if light > 0:
            for i in range(len(table.solids)):
                if i != own and met(table.solids[i], at, ray, spare) < FAR:
                    light = 0.0
                    break
        total += light
    return total / SUN_RAYS


@compiled
def hollow(table: Table, at: Pixels, normal: Pixels, own: int) -> float:
    """Return the share of the room's light that solids near by leave."""
    left = 1.0
    for i in range(len(table.solids)):
        if i == own:
            continue
        s = table.solids[i]
        x, y, z = s[1] - at[0], s[2] - at[1], s[3] - at[2]
        away = np.sqrt(x * x + y * y + z * z)
        size = (s[4] * s[5] * s[6]) ** (1 / 3)
        facing = max((x * normal[0] + y * normal[1] + z * normal[2]) / away + 0.25, 0.0)
        left *= 1.0 - min(0.9 * facing * (size / max(away, size)) ** 2, 0.9)
    if own >= 0:
        left *= 0.55 + 0.45 * step(-1.0, 0.6, normal[1]) * step(-0.1, 0.5, at[1])
    return left


@compiled
def skin(table: Table, own: int, at: Pixels, normal: Pixels, fine: float, ink: Pixels) -> float:
    """Put a place's reflectance into `ink`, roughen its normal; return how much it shines."""
    x, y, z = at[0], at[1], at[2]
    if own < 0:
        return _room(table, own, x, y, z, fine, ink)
    solid = table.solids[own]
    kind, shine = solid[11], 0.04
    u, v = np.arctan2(z - solid[3], x - solid[1]) * 1.5, (y - solid[2]) / solid[5]
    tone = 1.0 + 0.25 * octaves(u * 2.0 + own, v * 2.0, table.seed + own, 7, fine * 6, 0.6)
    if kind == 1:
        near, _, _ = cells(u * 22.0, v * 15.0, table.seed)
        tone *= 0.85 + 0.35 * min(near, 0.5)
        normal[1] += 0.35 * (near - 0.4)
        normal[0] += 0.25 * octaves(u * 30.0, v * 22.0, 4, 3, 0.0, 0.5)
        shine = 0.10
    elif kind == 2:
        red = octaves(u * 7.0, v * 0.9, table.seed + own, 7, fine * 6, 0.65)
        blush = step(-0.45, 0.55, red + 0.5 * v)
        ink[0] = solid[8] * tone
        ink[1] = (solid[9] * (1.0 - 0.75 * blush)) * tone
        ink[2] = (solid[10] * (1.0 - 0.35 * blush)) * tone
        return 0.22
    elif kind == 3:
        shine = 0.30
    elif kind == 4 and abs(normal[1]) < 0.5:
        sheet = octaves(y * 260.0, 0.2 * x, own, 4, fine * 260, 0.7)
        for c in range(3):
            ink[c] = (0.72 - 0.09 * c) * (0.85 + 0.3 * sheet)
        return 0.0
    for c in range(3):
        ink[c] = solid[8 + c] * tone
    return shine


@compiled
def _room(table: Table, own: int, x: float, y: float, z: float, fine: float, ink: Pixels) -> float:
    """Put the reflectance of table (own -1) or wall (own -2) into `ink`."""
    if own == -2:
        rough = octaves(x * 1.5, y * 1.5, table.seed + 50, 9, fine * 1.5, 0.62)
        for c in range(3):
            ink[c] = table.wall[c] * (1.0 + 0.30 * rough)
        return 0.0
    if table.cloth > 0:
        weave = 0.5 * np.sin(x * 260.0) * np.sin(z * 260.0) * step(0.03, 0.012, fine)
        check = ((np.sin(x * 9.0) > 0) + (np.sin(z * 9.0) > 0)) / 2
        for c in range(3):
            ink[c] = (0.74 - (0.10, 0.52, 0.56)[c] * check) * (1.0 + 0.12 * weave)
        return 0.0
    plank = np.floor(z * 1.4 + 0.3)
    grain = octaves(x * 0.9 + 17 * plank, z * 26.0, table.seed + 60, 8, fine * 20, 0.65)
    joint = step(0.004, 0.018, abs(z * 1.4 + 0.3 - plank)) * (0.85 + 0.3 * hashed(int(plank), 1, 2))
    for c in range(3):
        ink[c] = table.wood[c] * (1.0 + 0.55 * grain) * joint
    return 0.06


@compiled
def seen(table: Table, o: Pixels, d: Pixels, seed: int, pixel: float, out: Pixels) -> None:
    """Put the light that comes along a ray into `out`."""
    normal, other = np.zeros(3), np.zeros(3)
    at, ink, far, own = np.zeros(3), np.zeros(3, np.float32), FAR, -1
    for i in range(len(table.solids)):
        t = met(table.solids[i], o, d, other)
        if t < far:
            far, own = t, i
            normal[:] = other
    if d[1] < 0 and -o[1] / d[1] < far:
        far, own = -o[1] / d[1], -1
        normal[0], normal[1], normal[2] = 0.0, 1.0, 0.0
    if (2.2 - o[2]) / d[2] < far:
        far, own = (2.2 - o[2]) / d[2], -2
        normal[0], normal[1], normal[2] = 0.0, 0.0, -1.0
    for c in range(3):
        at[c] = o[c] + far * d[c] + 1e-4 * normal[c]
    shine = skin(table, own, at, normal, 2.0 * far * pixel, ink)
    normal /= np.sqrt(normal[0] ** 2 + normal[1] ** 2 + normal[2] ** 2)
    sun = table.to_sun
    facing = max(normal[0] * sun[0] + normal[1] * sun[1] + normal[2] * sun[2], 0.0)
    lit = sunshine(table, at, own, seed) if facing > 0 else 0.0
    open_ = hollow(table, at, normal, own) * (0.75 - 0.35 * normal[0])
    toward = 2 * (normal[0] * d[0] + normal[1] * d[1] + normal[2] * d[2])
    gleam = 0.0
    for c in range(3):
        gleam += max(d[c] - toward * normal[c], -9.0) * sun[c]
    gleam = max(gleam, 0.0) ** 60 * shine * 6.0 * lit
    soft = max(-(d[0] - toward * normal[0]), 0.0) ** 6 * shine * 1.5
    for c in range(3):
        warm = table.sun[c] * ink[c] * 0.10 * max(1.0 - at[1], 0.2)
        out[c] += ink[c] * (table.sun[c] * facing * lit + table.room[c] * open_ + warm)
        out[c] += gleam * table.sun[c] + soft * table.room[c]


@compiled
def traced(table: Table, rows: int, columns: int) -> Pixels:
    """Return a picture of a table, height x width x 3, four rays a pixel."""
    out = np.zeros((rows, columns, 3), np.float32)
    o, d, pixel = np.array(table.eye), np.zeros(3), 1.0 / (table.focal * rows)
    cos, sin = np.cos(table.dip), np.sin(table.dip)
    for q in range(rows):
        for column in range(columns):
            for k in range(4):
                x = (column + 0.25 + 0.5 * (k & 1) - columns / 2) * pixel
                y = (rows / 2 - q - 0.25 - 0.5 * (k >> 1)) * pixel
                long = np.sqrt(x * x + y * y + 1.0)
                d[0], d[1], d[2] = x / long, (y * cos - sin) / long, (cos + y * sin) / long
                seen(table, o, d, (q * columns + column) * 4 + k, pixel, out[q, column])
    return out / np.float32(4)
