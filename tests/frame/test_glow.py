"""Blur and spread light at drawn edges: steps blurred by an exact kernel, with and without glow."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from pipeline.frame.gate import find_edge
from pipeline.frame.glow import Fall, above_glow, fall_of, spread_px, usual_blur

ROWS, COLUMNS, PLACE, NOISE, FINE = 150, 60, 28.0, 0.005, 10
Y = np.arange(ROWS) - (ROWS - 1) / 2


def drawn(density: float, blur: float, glow: float = 0.0) -> np.ndarray:
    """Return density of a picture from `PLACE` on: exposure, a curve of slope 0.6, then blur.

    A part `glow` of the picture's light falls off outside within three pixels.
    """
    x = (np.arange(FINE * COLUMNS) + 0.5) / FINE - 0.5
    exposure = np.where(x > PLACE, 1.0, glow * np.exp((x - PLACE) / 3.0))
    threshold = 10.0 ** (-density / 0.6)
    curve = 0.6 * np.log10(1.0 + exposure / threshold)
    light = gaussian_filter1d(10.0**-curve, blur * FINE)
    seen = -np.log10(light.reshape(COLUMNS, FINE).mean(axis=1))
    noise = np.random.default_rng(1).normal(0, NOISE, (ROWS, COLUMNS))
    return (seen + noise).astype(np.float32)


@pytest.mark.parametrize("blur", [0.5, 0.8, 1.2])
@pytest.mark.parametrize("density", [0.9, 1.5])
def test_an_edge_without_spread_light_tells_its_blur(blur, density):
    falls = []
    for place in PLACE + np.arange(0.0, 1.0, 0.25):
        seen = -np.log10(1.0 - ndtr((np.arange(COLUMNS) - place) / blur) * (1.0 - 10.0**-density))
        fall = fall_of(np.tile(seen, (ROWS, 1)), Y, float(place), 0.0)
        assert fall is not None
        falls.append(fall.blur)
    assert np.mean(falls) == pytest.approx(blur, abs=0.05)


def test_an_edge_that_light_spreads_beyond_is_put_nearer_to_its_place_and_doubted():
    edges = [find_edge(drawn(1.5, 0.7, glow), PLACE, 9.0, NOISE) for glow in (0.0, 0.006)]
    clean, glowing = edges
    assert clean is not None
    assert glowing is not None
    blur = usual_blur([clean.fall] * 4)
    assert spread_px(clean.fall, blur) == 0.0
    moved = glowing.moved(spread_px(glowing.fall, blur))
    # Told by the first departure from base it lay ten pixels off.
    assert 0.6 < PLACE - glowing.place < 1.6
    assert abs(moved.place - PLACE) < 0.7 * abs(glowing.place - PLACE)
    assert moved.sigma > 1.5 * glowing.sigma


def test_what_glow_cannot_explain_is_left():
    thin = np.where(np.arange(COLUMNS) < PLACE, 0.0, 0.3) * np.ones((ROWS, 1))
    assert above_glow(thin) == pytest.approx(thin, abs=0.01)
    dense = drawn(1.5, 0.7, 0.006).astype(float)
    bar = slice(int(PLACE) - 6, int(PLACE) - 2)
    assert dense[:, bar].mean() > 0.08
    assert above_glow(dense)[:, bar].mean() == pytest.approx(0.0, abs=0.03)
    assert above_glow(dense)[:, int(PLACE) + 3 :].min() > 1.0


def test_thin_pictures_and_edges_at_the_view_s_end_tell_no_blur():
    assert fall_of(drawn(0.4, 0.7).astype(float), Y, PLACE, 0.0) is None
    assert fall_of(drawn(1.2, 0.7).astype(float), Y, 2.0, 0.0) is None


def test_too_few_edges_tell_no_usual_blur():
    assert usual_blur([Fall(0.7, 1.0)] * 3) == math.inf
    assert spread_px(Fall(3.0, 1.0), math.inf) == 0.0
