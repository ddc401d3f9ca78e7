"""A strip's view: its part of the proxy with the film lying level, and the way between both."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.kinds import (
    Corners,
    Float64,
    Light,
    Matrix,
    Point,
    Points,
    Triple,
    as_matrix,
    as_triple,
)

_BACK_ROUNDS = 20
_BACK_PX = 1e-9


@dataclass(frozen=True)
class FilmMap:
    """The way from a view's pixels to the proxy's, and back.

    `matrix` is a homography of points (x, y, 1). Before it the film is bowed: a point at column x
    lies ``bow[0] t^2 + bow[1] t^3 + bow[2] t^4`` rows lower, with t from -1 to 1 over the columns
    ``middle - half`` to ``middle + half``. After it a lens draws points away from `centre` by
    the share ``radial (r / radius)^2`` of their distance r from it (all in proxy pixels).
    """

    matrix: Matrix
    bow: Triple = (0.0, 0.0, 0.0)
    middle: float = 0.0
    half: float = 1.0
    radial: float = 0.0
    centre: Point = (0.0, 0.0)
    radius: float = 1.0

    @property
    def straight(self) -> bool:
        """Tell whether it only moves, turns, scales and shears."""
        return self.matrix[2] == (0.0, 0.0, 1.0) and not any(self.bow) and not self.radial

    def onto(self, points: Points) -> Float64:
        """Return points (n, 2) of the view in the proxy's pixels."""
        at = np.asarray(points, float)
        rows = np.asarray(self.matrix)
        if self.straight:
            moved: Float64 = at @ rows[:2, :2].T + rows[:2, 2]
            return moved
        bowed = at + np.column_stack([np.zeros(len(at)), self.sag(at[:, 0])])
        away = _through(bowed, rows) - self.centre
        grown = 1.0 + self.radial / self.radius**2 * (away**2).sum(axis=1, keepdims=True)
        return np.asarray(self.centre + away * grown)

    def places(self, size: tuple[int, ...]) -> tuple[Light, Light]:
        """Return columns and rows (h, w) of the proxy of all pixels of a view of this size."""
        from pipeline.strip.kernel import bent_places

        x, y = np.empty(size[:2], np.float32), np.empty(size[:2], np.float32)
        bent_places(
            np.array(self.matrix), self.sag(np.arange(float(size[1]))), self.radial,
            np.array(self.centre), self.radius, x, y,
        )  # fmt: skip
        return x, y

    def back(self, points: Points) -> Float64:
        """Return points (n, 2) of the proxy in the view's pixels."""
        away = np.asarray(points, float) - self.centre
        inner, share = away, self.radial / self.radius**2
        for _ in range(_BACK_ROUNDS if share else 0):
            before = inner
            # Newton's steps along the radius: r (1 + share r^2) = distance.
            square = (inner**2).sum(axis=1, keepdims=True)
            length = np.sqrt((away**2).sum(axis=1, keepdims=True))
            radius = np.sqrt(square)
            radius = radius - (radius * (1 + share * square) - length) / (1 + 3 * share * square)
            inner = away * radius / np.maximum(length, 1e-12)
            if np.abs(inner - before).max(initial=0.0) < _BACK_PX:
                break
        bowed = _through(inner + self.centre, np.linalg.inv(np.asarray(self.matrix)))
        return bowed - np.column_stack([np.zeros(len(bowed)), self.sag(bowed[:, 0])])

    def sag(self, x: Float64) -> Float64:
        """Return by how many rows the film lies lower at columns (n,) of the view."""
        t = (np.asarray(x, float) - self.middle) / self.half
        square, cube, fourth = self.bow
        lower: Float64 = t * t * (square + t * (cube + t * fourth))
        return lower

    def moved(self, x: float, y: float) -> "FilmMap":
        """Return the map of the part of the view that begins at column x and row y."""
        shift = np.array([[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]])
        return FilmMap(
            as_matrix(np.asarray(self.matrix) @ shift),
            self.bow, self.middle - x, self.half, self.radial, self.centre, self.radius,
        )  # fmt: skip

    def enlarged(self, factor: float) -> "FilmMap":
        """Return the map of the view with so many pixels in place of one."""
        small = np.diag([1.0 / factor, 1.0 / factor, 1.0])
        return FilmMap(
            as_matrix(np.asarray(self.matrix) @ small),
            as_triple(np.multiply(self.bow, factor)),
            self.middle * factor, self.half * factor, self.radial, self.centre, self.radius,
        )  # fmt: skip

    def then(self, rows: Points) -> "FilmMap":
        """Return the map with the proxy turned and moved (2, 3) afterwards."""
        whole = np.vstack([rows, [0.0, 0.0, 1.0]])
        x, y = (rows[:, :2] @ np.asarray(self.centre) + rows[:, 2]).tolist()
        return FilmMap(
            as_matrix(whole @ np.asarray(self.matrix)),
            self.bow, self.middle, self.half, self.radial, (x, y), self.radius,
        )  # fmt: skip

    def px_per_px(self, at: Point) -> float:
        """Return how many pixels of the proxy one of the view takes, along the film, at a place."""
        x, y = at
        ends = self.onto(np.array([[x - 0.5, y], [x + 0.5, y]]))
        return float(np.hypot(*(ends[1] - ends[0])))


def _through(points: Points, rows: Points) -> Float64:
    """Return points (n, 2) moved by a homography (3, 3)."""
    whole = points @ rows[:, :2].T + rows[:, 2]
    moved: Float64 = whole[:, :2] / whole[:, 2:]
    return moved


def level_map(corner: Points, along: Points, across: Points) -> FilmMap:
    """Return the map of a view from its first corner and two ways in the proxy, in unit steps."""
    right = along / max(float(np.hypot(*along)), 1e-9)
    down = across / max(float(np.hypot(*across)), 1e-9)
    rows = [(right[0], down[0], corner[0]), (right[1], down[1], corner[1]), (0.0, 0.0, 1.0)]
    return FilmMap(as_matrix(rows))


@dataclass(frozen=True)
class StripView:
    """A strip straightened: light (h, w, 3), scale, and the way back to the proxy's pixels."""

    light: Light
    px_per_mm: float
    to_proxy: FilmMap

    def of(
        self, plane: Light, how: int = cv2.INTER_CUBIC, border: int = cv2.BORDER_REPLICATE
    ) -> Light:
        """Return another plane (h, w), or planes, of the same proxy in the pixels of the view."""
        return mapped(plane, self.to_proxy, self.light.shape[:2], how, border)


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
    return view_by(light, level_map(corners[0], along, across), (height, width), px_per_mm)


def view_by(light: Light, way: FilmMap, size: tuple[int, int], px_per_mm: float) -> StripView:
    """Return a view of so many rows and columns that a map gives of a proxy (h, w, 3)."""
    view = mapped(light, way, size, cv2.INTER_CUBIC, cv2.BORDER_REPLICATE)
    return StripView(view, px_per_mm, way)


def mapped(light: Light, way: FilmMap, size: tuple[int, ...], how: int, border: int) -> Light:
    """Return a proxy's plane or planes in the pixels of a view of so many rows and columns.

    `how` and `border` are OpenCV's ways of interpolating, and of going on beyond the proxy.
    """
    if way.straight:
        turned = cv2.warpAffine(
            light,
            np.asarray(way.matrix)[:2],
            (size[1], size[0]),
            flags=how | cv2.WARP_INVERSE_MAP,
            borderMode=border,
        )
        return np.asarray(turned, np.float32)
    x, y = way.places(size)
    return np.asarray(cv2.remap(light, x, y, how, borderMode=border), np.float32)


def angle_deg(way: FilmMap, at: Point) -> float:
    """Return how the film's long side lies in the proxy at a place of the view, clockwise."""
    x, y = at
    ends = way.onto(np.array([[x - 1.0, y], [x + 1.0, y]]))
    right, down = (ends[1] - ends[0]).tolist()
    return math.degrees(math.atan2(down, right))
