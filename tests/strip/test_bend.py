"""Bent film held against OpenCV's pinhole camera, which projects and distorts by its own code."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from pipeline.strip.bend import find_bend, least_cost
from pipeline.strip.film_line import CrossLine, FilmLine, in_stretches
from pipeline.strip.view import FilmMap, level_map

# 135 film, ISO 1007 (from memory): width, pitch, centres of perforations from the edge.
WIDTH_MM, PITCH_MM, HOLES_MM = 34.975, 4.75, 3.407
LENGTH_MM = 228.0
SHAPE = (1200, 1800)
FOCAL_PX = 2000.0
GATE_MM = np.array([[-18.0, -12.0], [18.0, -12.0], [18.0, 12.0], [-18.0, 12.0]])


class Camera:
    """A camera that looks at film of which mm 0, 0 is the middle, about 7 pixels a mm."""

    def __init__(self, tilts_deg=(0.0, 0.0, 0.0), shift_mm=(0.0, 0.0), radial=0.0):
        turns = [cv2.Rodrigues(np.radians(axis))[0] for axis in np.diag(tilts_deg)]
        self.pose = cv2.Rodrigues(turns[0] @ turns[1] @ turns[2])[0]
        self.place = np.array([*shift_mm, FOCAL_PX / 7.0])
        centre = (np.array(SHAPE[::-1]) - 1) / 2
        self.inner = np.array([[FOCAL_PX, 0, centre[0]], [0, FOCAL_PX, centre[1]], [0, 0, 1]])
        # OpenCV's k1 is of the distance over the focal length.
        self.lens = np.array([radial * (FOCAL_PX / np.hypot(*(centre + 0.5))) ** 2, 0, 0, 0])

    def sees(self, points) -> np.ndarray:
        flat = np.column_stack([points, np.zeros(len(points))])
        seen, _ = cv2.projectPoints(flat, self.pose, self.place, self.inner, self.lens)
        return seen[:, 0]

    def way(self) -> tuple[FilmMap, float]:
        """Return the level view's map as of the film's middle, and its scale."""
        ends = self.sees(np.array([[-10.0, 0.0], [10.0, 0.0]]))
        along = ends[1] - ends[0]
        scale = float(np.hypot(*along)) / 20.0
        across = np.array([-along[1], along[0]])
        start = self.sees(np.zeros((1, 2)))[0] - along / 20.0 * LENGTH_MM / 2
        return level_map(start - across / 20.0 * WIDTH_MM / 2, along, across), scale


def lines_seen(camera: Camera, way: FilmMap, holes: bool = True, bow_mm: float = 0.0, noise=0.05):
    """Return film's edges and perforations in the pixels of a view."""
    rng = np.random.default_rng(1)

    def seen(u, v):
        bowed = np.column_stack([u, v + bow_mm * (u / (LENGTH_MM / 2)) ** 2])
        points = way.back(camera.sees(bowed))
        return points + rng.normal(0, noise, points.shape)

    u = np.linspace(-LENGTH_MM / 2, LENGTH_MM / 2, 41)
    half = WIDTH_MM / 2
    lines = [FilmLine(seen(u, np.full(41, s * half)), half + s * half, 0.0, 0.1) for s in (-1, 1)]
    if holes:
        steps = np.arange(-23, 24).astype(float)
        for side in (-1, 1):
            row = np.full(47, side * (half - HOLES_MM))
            points = seen(steps * PITCH_MM, row)
            lines.append(FilmLine(points, half + row[0], 0.0, 0.15, steps, PITCH_MM))
    return lines


def worst_mm(bend: FilmMap, camera: Camera, scale: float, bow_mm: float = 0.0) -> float:
    """Return how far gates of 36 by 24 mm are off their size in its view, at most."""
    worst = 0.0
    for u in (-95.0, -57.0, 0.0, 57.0, 95.0):
        corners = GATE_MM + np.array([u, 0.0])
        corners[:, 1] += bow_mm * (corners[:, 0] / (LENGTH_MM / 2)) ** 2
        shown = bend.back(camera.sees(corners))
        box = shown.mean(axis=0) + scale * (corners - corners.mean(axis=0))
        if bow_mm:
            box[:, 1] = shown.mean(axis=0)[1] + scale * np.array([-12.0, -12.0, 12.0, 12.0])
        worst = max(worst, float(np.hypot(*(shown - box).T).max()) / scale)
    return worst


angles = st.floats(-7.0, 7.0)


@settings(max_examples=25, deadline=None)
@given(angles, angles, angles, st.floats(-40, 40), st.floats(-0.03, 0.03))
def test_film_seen_aslant_through_a_lens_is_laid_level(tilt, lean, turn, down, radial):
    camera = Camera((tilt, lean, turn), (0.0, down), radial)
    way, scale = camera.way()
    bend = find_bend(lines_seen(camera, way), (), way, scale, SHAPE)
    if bend is None:
        assert max(abs(tilt), abs(lean), abs(radial) * 300) < 1.0
        return
    size = bend.px_per_px((LENGTH_MM / 2 * scale, WIDTH_MM / 2 * scale))
    assert size == pytest.approx(1.0, abs=0.02)
    assert worst_mm(bend, camera, scale) < 0.25


@pytest.mark.parametrize("bow_mm", [-2.0, 0.5, 2.0])
def test_bowed_film_is_laid_level(bow_mm):
    camera = Camera()
    way, scale = camera.way()
    bend = find_bend(lines_seen(camera, way, bow_mm=bow_mm), (), way, scale, SHAPE)
    assert worst_mm(bend, camera, scale, bow_mm) < 0.1


@pytest.mark.parametrize("turn", [0.0, 0.3, -4.0])
@pytest.mark.parametrize("holes", [False, True])
def test_straight_film_is_left_straight(turn, holes):
    camera = Camera((0.0, 0.0, turn))
    way, scale = camera.way()
    bend = find_bend(lines_seen(camera, way, holes), (), way, scale, SHAPE)
    assert bend is None


def test_borders_across_tell_how_far_film_without_holes_is_tilted():
    # Tilted about its long side its edges stay parallel; only the bars lean.
    camera = Camera((8.0, 0.0, 0.0))
    way, scale = camera.way()
    bars = []
    for u in (-95.0, -57.0, -19.0, 19.0, 57.0, 95.0):
        ends = way.back(camera.sees(np.array([[u, -WIDTH_MM / 2], [u, WIDTH_MM / 2]])))
        bars.append(CrossLine(ends, 0.3))
    lines = lines_seen(camera, way, holes=False)
    blind = find_bend(lines, (), way, scale, SHAPE)
    told = find_bend(lines, bars, way, scale, SHAPE)
    assert blind is None
    seen = told.back(camera.sees(np.array([[-95.0, -12.0], [-95.0, 12.0]])))
    assert abs(seen[1, 0] - seen[0, 0]) / scale < 0.1
    before = way.back(camera.sees(np.array([[-95.0, -12.0], [-95.0, 12.0]])))
    assert abs(before[1, 0] - before[0, 0]) / scale > 0.5


def test_nothing_seen_tells_nothing():
    way, scale = Camera().way()
    assert find_bend((), (), way, scale, SHAPE) is None


@pytest.mark.parametrize("seed", range(4))
def test_the_least_cost_is_that_of_the_library(seed):
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 3, 40)
    y = 1.4 * np.exp(-0.8 * x) + 0.3 + rng.normal(0, 0.05, 40)

    def rests(some):
        return np.concatenate([some[0] * np.exp(some[1] * x) + some[2] - y, 0.1 * some])

    def normal(some):
        grown = np.exp(some[1] * x)
        steep = np.column_stack([grown, some[0] * x * grown, np.ones(40)])
        steep = np.concatenate([steep, 0.1 * np.eye(3)])
        return steep.T @ steep, steep.T @ rests(some)

    found, cost = least_cost(lambda some: float(rests(some) @ rests(some)), normal, 3)
    theirs = least_squares(rests, np.zeros(3))
    assert cost == pytest.approx(2 * theirs.cost, rel=1e-6)
    assert found == pytest.approx(theirs.x, abs=1e-3)


@pytest.mark.parametrize("turn", [0.0005, 0.0011, 0.0014, 0.0021])
def test_the_stairs_of_edges_nearly_level_with_the_pixels_bend_no_film(turn):
    """Places rounded to three parts of a pixel, as clipped light leaves them; wide film is bare."""
    x = np.linspace(0.0, 970.0, 971)
    lines = []
    for across_mm, phase in ((0.0, 0.13), (61.5, 0.71)):
        true = turn * (x - 485.0) + across_mm * 7.0 + phase
        shown = np.round(true * 1.5) / 1.5 - turn * (x - 485.0)
        points, sigma = in_stretches(x, shown)
        lines.append(FilmLine(points, across_mm, 0.0, sigma))
    way = level_map(np.array([300.0, 400.0]), np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    bend = find_bend(lines, [], way, 7.0, SHAPE)
    assert bend is None
