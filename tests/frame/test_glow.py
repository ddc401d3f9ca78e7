"""Spread light at drawn edges: steps blurred by an exact kernel, with and without glow."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from pipeline.frame.glow import above_glow

ROWS, COLUMNS, PLACE, NOISE, FINE = 150, 60, 28.0, 0.005, 10


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


def test_what_glow_cannot_explain_is_left():
    thin = np.where(np.arange(COLUMNS) < PLACE, 0.0, 0.3) * np.ones((ROWS, 1))
    assert above_glow(thin) == pytest.approx(thin, abs=0.01)
    dense = drawn(1.5, 0.7, 0.006).astype(float)
    bar = slice(int(PLACE) - 6, int(PLACE) - 2)
    assert dense[:, bar].mean() > 0.08
    assert above_glow(dense)[:, bar].mean() == pytest.approx(0.0, abs=0.03)
    assert above_glow(dense)[:, int(PLACE) + 3 :].min() > 1.0
