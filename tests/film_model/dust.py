"""Dust and hairs on the film, dark in every channel, the infra-red one too."""

import cv2
import numpy as np

from .geometry import Pixels

OVERSAMPLE_BITS = 4


def dust_light(shape: tuple[int, int], ppi: float, count: int, rng: np.random.Generator) -> Pixels:
    """Return the light that specks and hairs leave, height x width, 1 where clean.

    Sizes are invented: specks 0.03 to 0.15 mm, hairs 1 to 4 mm long, one in four of all.
    """
    height, width = shape
    px_per_mm = ppi / 25.4
    dark = np.zeros(shape, np.float32)
    scale = 1 << OVERSAMPLE_BITS
    for _ in range(count):
        x, y = rng.uniform(0, width), rng.uniform(0, height)
        if rng.random() < 0.25:
            turn = np.cumsum(rng.normal(0, 0.35, 9)) + rng.uniform(0, 2 * np.pi)
            step = rng.uniform(1.0, 4.0) * px_per_mm / 9
            points = np.column_stack(
                [x + np.cumsum(np.cos(turn)) * step, y + np.cumsum(np.sin(turn)) * step]
            )
            cv2.polylines(
                dark,
                [np.rint(points * scale).astype(np.int32)],
                False,
                0.7,
                max(1, round(0.03 * px_per_mm)),
                cv2.LINE_8,
                OVERSAMPLE_BITS,
            )
        else:
            radius = rng.uniform(0.015, 0.075) * px_per_mm
            cv2.circle(
                dark,
                (round(x * scale), round(y * scale)),
                max(scale // 2, round(radius * scale)),
                0.9,
                -1,
                cv2.LINE_8,
                OVERSAMPLE_BITS,
            )
    return 1 - cv2.GaussianBlur(dark, (0, 0), max(0.4, 0.01 * px_per_mm))
