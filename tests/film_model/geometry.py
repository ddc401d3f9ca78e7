"""Where film lies in a scan, and how much of a pixel a shape covers.

Film coordinates: u runs along the film, v across it, millimetres from the strip's top left corner
when the edge text is upright. Scan coordinates: x, y in pixels, (0, 0) the centre of the first.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.float32]
NO_RUN_PX = 1e-9


@dataclass(frozen=True)
class Window:
    """A rectangle of whole pixels: x0 <= x < x1, y0 <= y < y1."""

    x0: int
    y0: int
    x1: int
    y1: int

    @property
    def empty(self) -> bool:
        """True if the window holds no pixel."""
        return self.x1 <= self.x0 or self.y1 <= self.y0

    def within(self, other: "Window") -> "Window":
        """Return what both windows share."""
        return Window(
            max(self.x0, other.x0),
            max(self.y0, other.y0),
            min(self.x1, other.x1),
            min(self.y1, other.y1),
        )

    def slices_in(self, outer: "Window") -> tuple[slice, slice]:
        """Return row and column slices of this window inside an array over `outer`."""
        return (
            slice(self.y0 - outer.y0, self.y1 - outer.y0),
            slice(self.x0 - outer.x0, self.x1 - outer.x0),
        )


@dataclass(frozen=True)
class Placement:
    """An affine map from film millimetres to scan pixels.

    matrix is 2 x 3: (x, y) = matrix @ (u, v, 1).
    """

    matrix: NDArray[np.float64]

    @property
    def px_per_mm(self) -> float:
        """Scale of the map."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix[:, :2]))))

    @property
    def inverse(self) -> NDArray[np.float64]:
        """The 2 x 3 map back from scan pixels to film millimetres."""
        turn = np.linalg.inv(self.matrix[:, :2])
        return np.column_stack([turn, -turn @ self.matrix[:, 2]])

    def after(self, inner: NDArray[np.float64]) -> "Placement":
        """Return the placement of what an affine map, 2 x 3, lays on the film."""
        linear = self.matrix[:, :2]
        return Placement(
            np.column_stack([linear @ inner[:, :2], linear @ inner[:, 2] + self.matrix[:, 2]])
        )

    def to_scan(self, points: NDArray[np.float64] | list) -> NDArray[np.float64]:
        """Map film points n x 2 to the scan."""
        points = np.asarray(points, dtype=np.float64)
        return points @ self.matrix[:, :2].T + self.matrix[:, 2]

    def to_film(self, window: Window) -> tuple[Pixels, Pixels]:
        """Return u and v, millimetres, of every pixel of a window."""
        inverse = self.inverse
        x = np.arange(window.x0, window.x1)[None, :]
        y = np.arange(window.y0, window.y1)[:, None]
        u, v = (row[0] * x + row[1] * y + row[2] for row in inverse)
        return u.astype(np.float32), v.astype(np.float32)

    def window_of(self, u0: float, v0: float, u1: float, v1: float, margin_px: int = 3) -> Window:
        """Return the window around a film rectangle, with a margin."""
        corners = self.to_scan([(u0, v0), (u1, v0), (u1, v1), (u0, v1)])
        low = np.floor(corners.min(axis=0)).astype(int) - margin_px
        high = np.ceil(corners.max(axis=0)).astype(int) + margin_px + 1
        return Window(int(low[0]), int(low[1]), int(high[0]), int(high[1]))


def place(
    centre_mm: tuple[float, float],
    length_mm: float,
    width_mm: float,
    angle_deg: float,
    px_per_mm: float,
    mirrored: bool = False,
) -> Placement:
    """Place a strip with its centre at a point of the scan (mm), turned clockwise as displayed.

    Mirrored film lies with its other side up: its run is reversed before it is turned.
    """
    turn = np.deg2rad(angle_deg)
    along = np.array([np.cos(turn), np.sin(turn)]) * (-1.0 if mirrored else 1.0)
    across = np.array([-np.sin(turn), np.cos(turn)])
    linear = np.column_stack([along, across])
    shift = np.asarray(centre_mm) - linear @ np.array([length_mm / 2, width_mm / 2])
    return Placement(np.column_stack([linear * px_per_mm, shift * px_per_mm - 0.5]))


def turned_rectangle(
    centre: tuple[float, float], size: tuple[float, float], angle_deg: float
) -> NDArray[np.float64]:
    """Return the affine map, 2 x 3, from a rectangle's own axes, its corner at 0, to the film.

    Positive angles turn it about its centre, clockwise as displayed.
    """
    turn = np.deg2rad(angle_deg)
    linear = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    shift = np.asarray(centre) - linear @ (np.asarray(size) / 2)
    return np.column_stack([linear, shift])


def span_inside(
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
) -> tuple[float, float] | None:
    """Return the part of a line inside an upright rectangle, as shares of its length, or None.

    Source: Liang and Barsky 1984, 'A new concept and method for line clipping'.
    """
    enter, leave = 0.0, 1.0
    for at, run, least, most in zip(start, end - start, low, high, strict=True):
        if abs(run) < NO_RUN_PX:
            if not least <= at <= most:
                return None
            continue
        passes = sorted(((least - at) / run, (most - at) / run))
        enter, leave = max(enter, float(passes[0])), min(leave, float(passes[1]))
    return (enter, leave) if enter < leave else None


def distance_to_rectangle(
    u: Pixels, v: Pixels, u0: float, v0: float, u1: float, v1: float, corner: float = 0.0
) -> Pixels:
    """Return the signed distance to a rounded rectangle, negative inside, in the units given."""
    across_u = np.abs(u - np.float32((u0 + u1) / 2)) - np.float32((u1 - u0) / 2 - corner)
    across_v = np.abs(v - np.float32((v0 + v1) / 2)) - np.float32((v1 - v0) / 2 - corner)
    outside = np.hypot(np.maximum(across_u, 0), np.maximum(across_v, 0))
    return outside + np.minimum(np.maximum(across_u, across_v), 0) - np.float32(corner)


def covered(distance_px: Pixels) -> Pixels:
    """Return the share of a pixel inside a straight edge at a signed distance in pixels."""
    return np.clip(np.float32(0.5) - distance_px, 0, 1)


def soft_inside(distance_mm: Pixels, softness_mm: float) -> Pixels:
    """Return 1 well inside and 0 well outside, a smooth step `softness_mm` to either side."""
    t = np.clip(np.float32(0.5) - distance_mm / np.float32(2 * softness_mm), 0, 1)
    return t * t * (3 - 2 * t)
