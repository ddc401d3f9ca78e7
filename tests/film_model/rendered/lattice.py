"""Noise in the plane as compiled functions: smooth noise, its sums over octaves, cells."""

import numba
import numpy as np

compiled = numba.njit(cache=True, nogil=True, error_model="numpy")
TURN_COS, TURN_SIN = 0.8, 0.6


@compiled
def hashed(i: int, j: int, seed: int) -> float:
    """Return a number 0 to 1 that belongs to a place of the lattice."""
    h = np.uint32(i * 374761393 + j * 668265263 + seed * 2246822519)
    h = np.uint32((h ^ (h >> np.uint32(13))) * np.uint32(1274126177))
    h = np.uint32((h ^ (h >> np.uint32(16))) * np.uint32(2654435769))
    return np.float64(h ^ (h >> np.uint32(15))) / 4294967296.0


@compiled
def smooth(x: float, z: float, seed: int) -> float:
    """Return smooth noise, -1 to 1, of wavelength about 2."""
    i, j = int(np.floor(x)), int(np.floor(z))
    u, v = x - i, z - j
    u = u * u * u * (u * (u * 6 - 15) + 10)
    v = v * v * v * (v * (v * 6 - 15) + 10)
    a, b = hashed(i, j, seed), hashed(i + 1, j, seed)
    c, d = hashed(i, j + 1, seed), hashed(i + 1, j + 1, seed)
    return 2 * (a + (b - a) * u + (c - a) * v + (a - b - c + d) * u * v) - 1


@compiled
def octaves(x: float, z: float, seed: int, count: int, finest: float, rough: float) -> float:
    """Return a sum of noise, about -1 to 1, each octave `rough` of the one before.

    Octaves of a wavelength below `finest` fade out, so that no detail is finer than a pixel.
    """
    total, share, length = 0.0, 0.5, 2.0
    for k in range(count):
        seen = min(max(length / max(finest, 1e-9) - 1.0, 0.0), 1.0)
        if seen <= 0.0:
            break
        total += share * seen * smooth(x, z, seed + k)
        x, z = 2.03 * (TURN_COS * x + TURN_SIN * z), 2.03 * (TURN_COS * z - TURN_SIN * x)
        share, length = share * rough, length / 2.03
    return total


@compiled
def ridged(x: float, z: float, seed: int, count: int, finest: float) -> float:
    """Return noise with sharp crests, 0 to about 1, valleys smoother than crests."""
    total, share, length, before = 0.0, 0.55, 2.0, 1.0
    for k in range(count):
        seen = min(max(length / max(finest, 1e-9) - 1.0, 0.0), 1.0)
        if seen <= 0.0:
            break
        crest = 1.0 - abs(smooth(x, z, seed + k))
        crest = crest * crest * before
        total += share * seen * crest
        before = min(max(crest * 1.6, 0.0), 1.0)
        x, z = 2.03 * (TURN_COS * x + TURN_SIN * z), 2.03 * (TURN_COS * z - TURN_SIN * x)
        share, length = share * 0.47, length / 2.03
    return total


@compiled
def cells(x: float, z: float, seed: int) -> tuple[float, float, float]:
    """Return the distance to the nearest of scattered points, to the border, and its hash."""
    i0, j0 = int(np.floor(x)), int(np.floor(z))
    near, second, found = 9.0, 9.0, 0.0
    for j in range(j0 - 1, j0 + 2):
        for i in range(i0 - 1, i0 + 2):
            px = i + 0.15 + 0.7 * hashed(i, j, seed)
            pz = j + 0.15 + 0.7 * hashed(i, j, seed + 1)
            away = np.hypot(px - x, pz - z)
            if away < near:
                near, second, found = away, near, hashed(i, j, seed + 2)
            elif away < second:
                second = away
    return near, second - near, found


@compiled
def step(low: float, high: float, value: float) -> float:
    """Return 0 below `low`, 1 above `high`, smooth between."""
    t = min(max((value - low) / (high - low), 0.0), 1.0)
    return t * t * (3 - 2 * t)
