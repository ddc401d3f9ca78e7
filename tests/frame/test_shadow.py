"""Gates with a soft shadow, blur and spread light, drawn by points of the aperture and scipy."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from pipeline.frame.columns import evidence
from pipeline.frame.gate import EdgePlace, find_edge, usual_habit
from pipeline.frame.gate_fit import fit_gates
from pipeline.frame.shadow import fall_of, shadow_moves
from pipeline.frame.spans import solve_spans
from pipeline.profile.format import frame_formats
from tests.frame.drawn import BOTTOM, FILM, HEIGHT, PX_PER_MM, TOP

ROWS, COLUMNS, PLACE, NOISE, FINE = 150, 64, 28.0, 0.005, 10
Y = np.arange(ROWS) - (ROWS - 1) / 2


def uncovered(x: np.ndarray, half: float) -> np.ndarray:
    """Return what part of a round aperture shows past a straight edge: its points, counted."""
    if half == 0:
        return (x > 0).astype(float)
    across, up = np.meshgrid(np.linspace(-1, 1, 201), np.linspace(-1, 1, 201))
    points = np.sort(half * across[np.hypot(across, up) <= 1])
    return np.searchsorted(points, x) / len(points)


def drawn(density: float, blur: float, half: float = 0.0, glow: float = 0.0) -> np.ndarray:
    """Return density of a picture from `PLACE` on: exposure, a curve of slope 0.6, then blur.

    Its gate throws a shadow of a half width; a part `glow` of its light falls off outside within
    three pixels.
    """
    x = (np.arange(FINE * COLUMNS) + 0.5) / FINE - 0.5 - PLACE
    exposure = np.maximum(uncovered(x, half), glow * np.exp(np.minimum(x, 0.0) / 3.0))
    threshold = 10.0 ** (-density / 0.6)
    light = gaussian_filter1d((1.0 + exposure / threshold) ** -0.6, blur * FINE)
    seen = -np.log10(light.reshape(COLUMNS, FINE).mean(axis=1))
    noise = np.random.default_rng(1).normal(0, NOISE, (ROWS, COLUMNS))
    return (seen + noise).astype(np.float32)


def edges(**shape: float) -> list[EdgePlace]:
    """Return the edges of pictures of a strip, thin to dense, where light tells them."""
    found = [find_edge(drawn(density, **shape), PLACE, 9.0, NOISE) for density in (0.7, 1.1, 1.6)]
    assert all(found)
    return [edge for edge in found if edge]


def moved(told: list[EdgePlace], px_per_mm: float = 8.0) -> np.ndarray:
    """Return places off the true one, and errors."""
    moves = shadow_moves([edge.fall for edge in told] * 2, px_per_mm)[: len(told)]
    places = [edge.moved(*move) for edge, move in zip(told, moves, strict=True)]
    return np.array([(one.place - PLACE, one.sigma) for one in places])


@pytest.mark.parametrize("half", [1.5, 2.2, 3.0])
@pytest.mark.parametrize("blur", [0.5, 0.8])
def test_the_gate_lies_where_half_of_the_light_arrives(half, blur):
    told = edges(blur=blur, half=half)
    # Guards the test: the place told by the light that pictures take is far off.
    assert PLACE - told[-1].place > 0.7 * half
    off, error = moved(told).T
    assert np.abs(off).max() < 0.4 * half
    assert np.abs(off / error).max() < 3.0


@pytest.mark.parametrize("blur", [0.5, 0.8, 1.2])
@pytest.mark.parametrize("glow", [0.0, 0.005])
def test_a_sharp_gate_stays_where_it_is(blur, glow):
    off = moved(edges(blur=blur, glow=glow))[:, 0]
    assert np.abs(off).max() < 0.5


def test_what_may_be_shadow_or_scene_is_doubted():
    # Where pixels are coarse, both look alike.
    told = edges(blur=0.9, half=0.9)
    fine, coarse = moved(told, 8.0)[-1], moved(told, 3.5)[-1]
    assert fine[1] > 1.2 * told[-1].sigma
    assert coarse[0] < fine[0] + 0.1


def test_one_edge_of_a_scene_is_no_shadow_where_the_others_are_sharp():
    sharp = [edge.fall for edge in edges(blur=0.7)]
    fading = find_edge(drawn(1.4, 0.7, 3.0), PLACE, 9.0, NOISE)
    assert fading is not None
    assert shadow_moves([*sharp * 4, fading.fall], 8.0)[-1][0] < 1.0
    assert shadow_moves([fading.fall] * 4, 8.0)[-1][0] > 2.0


def test_an_edge_softer_than_its_strip_s_is_doubted():
    # A post in the scene, out of focus: no gate of the same strip is as soft.
    sharp = [edge.fall for edge in edges(blur=0.6)]
    soft = find_edge(drawn(0.8, 2.2), PLACE, 9.0, NOISE)
    assert soft is not None
    *usual, doubted = (error for _, error in shadow_moves([*sharp * 4, soft.fall], 8.0))
    assert doubted > 2.0 * float(np.median(usual))


def test_thin_pictures_and_edges_at_the_view_s_end_tell_nothing():
    assert fall_of(drawn(0.1, 0.7).astype(float), Y, PLACE, 0.0) is None
    assert fall_of(drawn(1.2, 0.7).astype(float), Y, 2.0, 0.0) is None
    assert shadow_moves([None, None], 8.0) == ((0.0, 0.0), (0.0, 0.0))


def test_corners_of_white_frames_at_a_soft_gate_are_where_half_of_the_light_arrives():
    half_mm = 0.25
    width = round(116.0 * PX_PER_MM)
    lit = np.zeros((HEIGHT, width))
    pictures_mm = ((2.0, 38.0), (40.0, 76.0), (78.0, 114.0))
    down = uncovered(np.arange(HEIGHT) + 0.5 - TOP, half_mm * PX_PER_MM)
    down *= uncovered(BOTTOM - np.arange(HEIGHT) - 0.5, half_mm * PX_PER_MM)
    for start, end in pictures_mm:
        x = np.arange(width) + 0.5
        along = uncovered(x - start * PX_PER_MM, half_mm * PX_PER_MM)
        along *= uncovered(end * PX_PER_MM - x, half_mm * PX_PER_MM)
        lit = np.maximum(lit, down[:, None] * along)
    above = 0.6 * np.log10(1.0 + lit * 10.0 ** (1.5 / 0.6))
    light = gaussian_filter1d(gaussian_filter1d(10.0**-above, 0.6, axis=0), 0.6, axis=1)
    noise = np.random.default_rng(1).normal(0, 0.003, above.shape)
    seen = (noise - np.log10(light)).astype(np.float32)
    strip = evidence(np.repeat(seen[..., None], 3, axis=2), FILM, PX_PER_MM, 0.003)
    habit = usual_habit(frame_formats()["135"])
    fit = fit_gates(strip, solve_spans(strip, habit)[1], habit)
    for place, (start, end) in zip(fit.rectangles, pictures_mm, strict=True):
        sides = np.array([place.start, place.end, place.top, place.bottom])
        true = np.array([start * PX_PER_MM - 0.5, end * PX_PER_MM - 0.5, TOP - 0.5, BOTTOM - 0.5])
        assert np.abs(sides - true).max() * math.sqrt(2.0) < 0.25 * PX_PER_MM
