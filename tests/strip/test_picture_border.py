"""The slope of the pictures' borders, on drawn strips whose slope is known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.strip.picture_border import picture_slope

SCALE = 8.0
# 36 x 24 mm, 2 mm apart: common practice, no source.
PICTURE_MM, HIGH_MM, GAP_MM = 36.0, 24.0, 2.0


def drawn(slope: float, seed: int, rebate_mm: float = 0.6, tone: float = 0.8) -> np.ndarray:
    """Return density above base of three pictures and their gaps, turned by a little."""
    height = round((HIGH_MM + 2 * rebate_mm) * SCALE)
    width = round((3 * PICTURE_MM + 4 * GAP_MM) * SCALE)
    y, x = np.mgrid[:height, :width].astype(float)
    u = x - width / 2 + slope * (y - height / 2) + width / 2
    v = y - slope * (x - width / 2) - rebate_mm * SCALE
    rng = np.random.default_rng(seed)
    light = np.ones((height, width))
    for number in range(3):
        start = (GAP_MM + number * (PICTURE_MM + GAP_MM)) * SCALE
        inside = np.clip(u - start + 0.5, 0, 1) * np.clip(
            start + PICTURE_MM * SCALE - u + 0.5, 0, 1
        )
        inside *= np.clip(v + 0.5, 0, 1) * np.clip(HIGH_MM * SCALE - v + 0.5, 0, 1)
        texture = tone * rng.uniform(0.5, 1.5) * (1 + 0.3 * np.sin(u / 9 + number))
        light *= 1 - inside * (1 - 10.0**-texture)
    return (-np.log10(light) + rng.normal(0, 0.008, light.shape)).astype(np.float32)


@given(slope=st.floats(-0.008, 0.008), seed=st.integers(0, 500))
def test_borders_tell_the_slope(slope, seed):
    # A turn of 0.03 degrees.
    assert picture_slope(drawn(slope, seed), SCALE, 0.012) == pytest.approx(slope, abs=0.0005)


@given(slope=st.floats(-0.004, 0.004), seed=st.integers(0, 500))
def test_gaps_alone_tell_it_too(slope, seed):
    shown = drawn(slope, seed)[12:-12]
    assert picture_slope(shown, SCALE, 0.012) == pytest.approx(slope, abs=0.001)


def test_blank_film_tells_nothing():
    rng = np.random.default_rng(2)
    blank = rng.normal(0, 0.008, (200, 900)).astype(np.float32)
    assert picture_slope(blank, SCALE, 0.012) is None


def test_a_picture_that_fills_all_tells_nothing():
    assert picture_slope(np.full((200, 300), 0.7, np.float32), SCALE, 0.012) is None


@pytest.mark.parametrize("seed", range(8))
def test_pictures_that_begin_nowhere_in_particular_tell_no_steep_slope(seed):
    rng = np.random.default_rng(seed)
    begins = 3 + 0.05 * np.arange(600) * rng.uniform(0.2, 1.0) + rng.normal(0, 0.4, 600)
    rows = np.arange(80)[:, None]
    slope = picture_slope(0.6 * (rows > begins), 8.0, 0.012)
    assert slope is None or abs(slope) <= 0.012
