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
    matrix = np.array([[right[0], down[0], corners[0, 0]], [right[1], down[1], corners[0, 1]]])
    view = cv2.warpAffine(
        light,
        matrix,
        (width, height),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    rows = [(float(row[0]), float(row[1]), float(row[2])) for row in matrix]
    return StripView(np.asarray(view, np.float32), px_per_mm, (rows[0], rows[1]))


def place(points: Float64, matrix: Affine) -> Float64:
    """Return (n, 2) points of a view in the proxy's pixels."""
    rows = np.asarray(matrix)
    placed: Float64 = np.asarray(points, float) @ rows[:, :2].T + rows[:, 2]
    return placed
