"""What a scanner's glass adds: a ghost of all that is bright, displaced, and milky patches."""

from dataclasses import dataclass

import cv2
import numpy as np

from .geometry import Pixels


@dataclass(frozen=True)
class Veil:
    """A milky patch: centre as shares of the scan, radius (standard deviation), light at most."""

    centre: tuple[float, float]
    radius_mm: float
    light: float


@dataclass(frozen=True)
class Glass:
    """Reflections between glass and film; light is a share of the open gate's.

    The ghost repeats the whole scan ghost_shift_mm to the right and down, blurred (standard
    deviation), ghost_share as bright.
    """

    ghost_share: float = 0.0
    ghost_shift_mm: tuple[float, float] = (0.0, 0.0)
    ghost_blur_mm: float = 0.3
    veils: tuple[Veil, ...] = ()


def behind_glass(glass: Glass, light: Pixels, px_per_mm: float) -> Pixels:
    """Return light [..., 4] with reflections added to its visible channels."""
    height, width = light.shape[:2]
    seen = light.copy()
    if glass.ghost_share > 0:
        shift = np.array(glass.ghost_shift_mm) * px_per_mm
        matrix = np.array([[1, 0, shift[0]], [0, 1, shift[1]]])
        ghost = cv2.warpAffine(light[..., :3], matrix, (width, height), flags=cv2.INTER_LINEAR)
        ghost = cv2.GaussianBlur(ghost, (0, 0), max(0.3, glass.ghost_blur_mm * px_per_mm))
        seen[..., :3] += ghost * np.float32(glass.ghost_share)
    x = np.arange(width, dtype=np.float32)[None, :]
    y = np.arange(height, dtype=np.float32)[:, None]
    for veil in glass.veils:
        sigma = np.float32(veil.radius_mm * px_per_mm)
        down = np.exp(-(((y - np.float32(veil.centre[1] * height)) / sigma) ** 2) / 2)
        over = np.exp(-(((x - np.float32(veil.centre[0] * width)) / sigma) ** 2) / 2)
        seen[..., :3] += (down * over)[..., None] * np.float32(veil.light)
    return seen


def random_glass(rng: np.random.Generator) -> Glass:
    """Draw a ghost of 1 to 6 %, 1 to 8 mm off, and 0 to 3 veils of 1 to 6 %; common practice."""
    turn, far = rng.uniform(0, 2 * np.pi), rng.uniform(1, 8)
    veils = [
        Veil(
            (float(rng.random()), float(rng.random())),
            float(rng.uniform(4, 30)),
            float(rng.uniform(0.01, 0.06)),
        )
        for _ in range(int(rng.integers(0, 4)))
    ]
    return Glass(
        float(rng.uniform(0.01, 0.06)),
        (float(far * np.cos(turn)), float(far * np.sin(turn))),
        float(rng.uniform(0.1, 1.0)),
        tuple(veils),
    )
