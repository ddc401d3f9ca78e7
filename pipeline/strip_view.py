"""A strip straightened: its part of the proxy, turned to lie level, and the way back."""

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.kinds import Corners, Float64, Light

Affine = tuple[tuple[float, float, float], tuple[float, float, float]]


@dataclass(frozen=True)
class StripView:
    """A strip straightened: light (h, w, 3), scale, and the way back to the proxy's pixels."""

    light: Light
    px_per_mm: float
    to_proxy: Affine

    def of(
        self, plane: Light, how: int = cv2.INTER_CUBIC, border: int = cv2.BORDER_REPLICATE
    ) -> Light:
        """Return another plane (h, w) of the same proxy in the pixels of the view."""
        return _turned(plane, self.to_proxy, self.light.shape[:2], how, border)


def straighten(light: Light, outline: Corners, px_per_mm: float) -> StripView:
    """Return the part of a proxy inside an outline, turned so that the film lies left to right.

    Parameters
    ----------
    light
        Proxy (h, w, 3).
    outline
        Four corners, top-left, top-right, bottom-right, bottom-left (proxy pixels).
    px_per_mm
        Scale of the proxy, kept in the view.
    """
    corners = np.asarray(outline, float)
    along, across = corners[1] - corners[0], corners[3] - corners[0]
    width, height = (max(2, round(float(np.hypot(*side))) + 1) for side in (along, across))
    right = along / max(float(np.hypot(*along)), 1e-9)
    down = across / max(float(np.hypot(*across)), 1e-9)
    start = corners[0]
    to_proxy = (
        (float(right[0]), float(down[0]), float(start[0])),
        (float(right[1]), float(down[1]), float(start[1])),
    )
    view = _turned(light, to_proxy, (height, width), cv2.INTER_CUBIC, cv2.BORDER_REPLICATE)
    return StripView(view, px_per_mm, to_proxy)


def _turned(light: Light, to_proxy: Affine, size: tuple[int, ...], how: int, border: int) -> Light:
    turned = cv2.warpAffine(
        light,
        np.asarray(to_proxy),
        (size[1], size[0]),
        flags=how | cv2.WARP_INVERSE_MAP,
        borderMode=border,
    )
    return np.asarray(turned, np.float32)


def place(points: Float64, matrix: Affine) -> Float64:
    """Return (n, 2) points of a view in the proxy's pixels."""
    rows = np.asarray(matrix)
    placed: Float64 = np.asarray(points, float) @ rows[:, :2].T + rows[:, 2]
    return placed
