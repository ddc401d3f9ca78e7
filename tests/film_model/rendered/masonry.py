"""A house front of brick in raking sun: window, shutters, door, plants, cobbles before it."""

from typing import NamedTuple

import numpy as np

from ..geometry import Pixels
from .lattice import cells, compiled, hashed, octaves, step

BRICK_M, COURSE_M, JOINT_M = 0.23, 0.078, 0.011
RELIEF_STEP_M = 0.0022
EYE_M, AWAY_M = 1.5, 4.8
SHADOW_STEPS = 20


class Front(NamedTuple):
    """A house front; lengths in metres from the left end of its foot, light linear sRGB."""

    seed: int
    wide_m: float = 4.2
    foot_m: float = -0.85
    brick: tuple[float, float, float] = (0.33, 0.105, 0.060)
    paint: tuple[float, float, float] = (0.055, 0.17, 0.20)
    door: tuple[float, float, float] = (0.30, 0.045, 0.035)
    to_sun: tuple[float, float, float] = (-0.60, 0.58, 0.55)
    sun: tuple[float, float, float] = (1.55, 1.36, 1.06)
    shade: tuple[float, float, float] = (0.19, 0.23, 0.31)
    window: tuple[float, float, float, float] = (1.45, 0.85, 2.35, 2.05)
    doorway: tuple[float, float, float, float] = (3.05, 0.0, 3.85, 2.02)
    ivy: float = 0.45


@compiled
def within(x: float, y: float, box: tuple[float, float, float, float], grow: float) -> float:
    """Return how far inside a box a place is, m, negative outside."""
    return min(x - box[0], box[2] - x, y - box[1], box[3] - y) + grow


@compiled
def relief(front: Front, x: float, y: float, fine: float) -> float:
    """Return how far the front stands out at a place, m."""
    if within(x, y, front.window, 0.0) > 0 or within(x, y, front.doorway, 0.0) > 0:
        return -0.12 + joinery(front, x, y)
    if y < 0.12:
        return 0.03 + 0.004 * octaves(x * 9, y * 9, front.seed, 6, fine * 9, 0.6)
    shutter = shutters(front, x, y)
    if shutter > 0:
        return shutter
    if ivy(front, x, y) > 0:
        near, _, kind = cells(x * 15, y * 15, front.seed + 9)
        return 0.06 + 0.03 * kind - 0.05 * near
    course = np.floor(y / COURSE_M)
    shift = 0.5 * (int(course) & 1) + 0.04 * hashed(int(course), 1, front.seed)
    place = x / BRICK_M + shift
    u, v = (place - np.floor(place)) * BRICK_M, y - course * COURSE_M
    inside = min(u, BRICK_M - u, v, COURSE_M - v) - JOINT_M / 2
    worn = 0.0025 * octaves(x * 40, y * 40, front.seed + 3, 5, fine * 40, 0.6)
    proud = 0.006 * hashed(int(np.floor(place)), int(course), front.seed + 4)
    return (0.008 + proud) * step(0.0, 0.006, inside + worn) + worn * 0.7


@compiled
def joinery(front: Front, x: float, y: float) -> float:
    """Return how far frames and panels stand out of a recess, m."""
    box = front.window if within(x, y, front.window, 0.0) > 0 else front.doorway
    u, v = (x - box[0]) / (box[2] - box[0]), (y - box[1]) / (box[3] - box[1])
    bars = min(abs(u - 0.5), 0.5 * abs(v * 3 - np.floor(v * 3 + 0.5)))
    edge = within(x, y, box, 0.0)
    if box[1] > 0.3:
        return 0.05 if edge < 0.055 else (0.03 if bars < 0.02 else 0.0)
    panel = min(abs(u - 0.27), abs(u - 0.73)) < 0.17 and abs(v * 3 - np.floor(v * 3) - 0.5) < 0.36
    return 0.05 if edge < 0.06 else (0.0 if panel else 0.016)


@compiled
def shutters(front: Front, x: float, y: float) -> float:
    """Return how far a shutter stands out, m; 0 where there is none."""
    box, wide = front.window, (front.window[2] - front.window[0]) / 2
    if not box[1] < y < box[3]:
        return 0.0
    u = (box[0] - 0.03 - x) / wide if x < box[0] else (x - box[2] - 0.03) / wide
    if not 0.0 < u < 1.0:
        return 0.0
    v = y - box[1]
    if min(u, 1 - u) < 0.1 or min(v, box[3] - y, abs(v - 0.6)) < 0.05:
        return 0.045
    slat = v / 0.034
    return 0.022 + 0.020 * (slat - np.floor(slat))


@compiled
def ivy(front: Front, x: float, y: float) -> float:
    """Return the share of a place that climbing leaves cover."""
    reach = octaves(x * 1.3, y * 0.9, front.seed + 20, 6, 0.0, 0.6)
    return 1.0 if front.ivy + 0.7 * reach > 0.28 + 0.62 * x - 0.16 * y else 0.0


@compiled
def paint(front: Front, x: float, y: float, fine: float, ink: Pixels) -> None:
    """Put the reflectance of a place of the front into `ink`."""
    stain = 1.0 + 0.22 * octaves(x * 1.1, y * 1.1, front.seed + 30, 8, fine, 0.6)
    grit = stain * (1.0 + 0.25 * octaves(x * 60, y * 60, front.seed + 31, 6, fine * 60, 0.7))
    inside = max(within(x, y, front.window, 0.0), within(x, y, front.doorway, 0.0))
    if inside > 0:
        glass = joinery(front, x, y) <= 0 and y > 0.3 and within(x, y, front.window, 0.0) > 0
        far = 0.5 + octaves(x * 2.2 + 4, y * 1.6, front.seed + 40, 6, fine * 2, 0.6)
        for c in range(3):
            ink[c] = front.door[c] * stain if within(x, y, front.doorway, 0.0) > 0 else 0.62
            if glass:
                ink[c] = 0.02 + 0.16 * max(far, 0.0) * (0.8 + 0.2 * c)
        return
    if y < 0.12:
        ink[0], ink[1], ink[2] = 0.24 * grit, 0.225 * grit, 0.20 * grit
    elif shutters(front, x, y) > 0:
        for c in range(3):
            ink[c] = front.paint[c] * stain
    elif ivy(front, x, y) > 0:
        _, _, kind = cells(x * 15, y * 15, front.seed + 9)
        ink[0], ink[1], ink[2] = 0.035 + 0.11 * kind**3, 0.085 + 0.07 * kind, 0.020 + 0.012 * kind
    else:
        course = int(np.floor(y / COURSE_M))
        shift = 0.5 * (course & 1) + 0.04 * hashed(course, 1, front.seed)
        kind = hashed(int(np.floor(x / BRICK_M + shift)), course, front.seed + 5)
        raised = step(0.003, 0.008, relief(front, x, y, fine))
        for c in range(3):
            burnt = front.brick[c] * (0.55 + 0.75 * kind) * grit
            ink[c] = (0.30 - 0.03 * c) * grit * (1 - raised) + burnt * raised


@compiled
def cobbles(front: Front, x: float, z: float, fine: float, ink: Pixels) -> tuple[float, float]:
    """Put the reflectance of the street into `ink`; return its slopes along x and z."""
    size, d = 8.5, 0.03
    bend = 0.05 * octaves(x, z, front.seed + 50, 3, 0.0, 0.5)
    near, border, kind = cells(x * size, z * size + bend, front.seed + 51)
    across, _, _ = cells(x * size + d, z * size + bend, front.seed + 51)
    along, _, _ = cells(x * size, z * size + d + bend, front.seed + 51)
    grit = 1.0 + 0.35 * octaves(x * 40, z * 40, front.seed + 52, 6, fine * 40, 0.7)
    stone = step(0.03, 0.14, border)
    for c in range(3):
        ink[c] = (0.060 + stone * (0.13 + 0.10 * kind - 0.012 * c)) * grit
    return -0.5 * (across - near) / d * 1.1, -0.5 * (along - near) / d * 1.1


@compiled
def unshaded(front: Front, x: float, y: float, here: float, fine: float) -> float:
    """Return the share of the sun that what stands out near by leaves to a place."""
    clear, sun = 1.0, front.to_sun
    for k in range(SHADOW_STEPS):
        away = 0.004 * 1.25**k
        u, v = x + sun[0] * away, y + sun[1] * away
        toward = relief(front, u, v, fine)
        # Seen from a recess, the wall's edge is straight: joints let no sun in.
        if here < -0.05 and toward > -0.05:
            toward = max(toward, 0.012)
        clear = min(clear, max(1.0 - (toward - here - sun[2] * away) / 0.004, 0.0))
    return clear


@compiled
def lit_front(front: Front, rows: int, columns: int) -> Pixels:
    """Return a picture of a house front, height x width x 3."""
    out, ink = np.zeros((rows, columns, 3), np.float32), np.zeros(3, np.float32)
    pixel, sun = front.wide_m / columns, front.to_sun
    for q in range(rows):
        for column in range(columns):
            x, y = column * pixel, front.foot_m + (rows - q) * pixel
            clear = 1.0
            if y < 0:
                near = EYE_M / (EYE_M - y)
                side, away = (x - front.wide_m / 2) * near, AWAY_M * near
                gx, gz = cobbles(front, side, away, pixel * near, ink)
                norm = np.sqrt(gx * gx + gz * gz + 1.0)
                facing = max((sun[1] - gx * sun[0] - gz * sun[2]) / norm, 0.0)
                hidden = 0.35 + 0.65 * step(0.0, -0.25, y)
            else:
                here = relief(front, x, y, pixel)
                paint(front, x, y, pixel, ink)
                d = max(RELIEF_STEP_M, 0.7 * pixel)
                gx = (relief(front, x + d, y, pixel) - here) / d
                gy = (relief(front, x, y + d, pixel) - here) / d
                norm = np.sqrt(gx * gx + gy * gy + 1.0)
                facing = max((sun[2] - gx * sun[0] - gy * sun[1]) / norm, 0.0)
                hidden = 0.62 + 0.38 / norm
                clear = unshaded(front, x, y, here, pixel)
            for c in range(3):
                out[q, column, c] = ink[c] * (
                    front.sun[c] * facing * min(clear, 1.0) + front.shade[c] * hidden
                )
    return out
