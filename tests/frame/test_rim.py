"""What of a picture's rim is not all picture, on gates drawn with their truth.

A gate with round corners is drawn sixteen times finer, its light is blurred by scipy.ndimage and
averaged over pixels: what a scanner sees of a sharp gate a little off its outline.
"""

import math

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from scipy import ndimage

from pipeline.frame.rim import rim_mm

# Pixels of about an eighth of a millimetre.
PITCH_MM, ROWS, COLUMNS, FINE = 0.13, 120, 180, 8
SIZE_MM = (COLUMNS * PITCH_MM, ROWS * PITCH_MM)


def scanned(
    picture: np.ndarray,
    off_mm: float = 0.0,
    slant_mm: float = 0.0,
    radius_mm: float = 0.0,
    blur_mm: float = 0.06,
    noise: float = 0.006,
) -> np.ndarray:
    """Return densities (h, w, 3) of a picture behind a gate that lies so far inside its outline.

    The upper side is off by half the slant at one end, and by as much the other way at the other.
    """
    step = PITCH_MM / FINE
    y, x = (np.mgrid[: ROWS * FINE, : COLUMNS * FINE] + 0.5) * step
    width, height = SIZE_MM
    top = off_mm + slant_mm * (x / width - 0.5)
    inside = np.minimum.reduce([x - off_mm, width - off_mm - x, y - top, height - off_mm - y])
    near_x = radius_mm - np.minimum(x - off_mm, width - off_mm - x)
    near_y = radius_mm - np.minimum(y - top, height - off_mm - y)
    round_off = np.where((near_x > 0) & (near_y > 0), np.hypot(near_x, near_y) > radius_mm, False)
    lit = (inside > 0) & ~round_off
    whole = np.repeat(np.repeat(picture, FINE, axis=0), FINE, axis=1)
    light = np.where(lit[..., None], 10.0**-whole, 1.0)
    light = ndimage.gaussian_filter(light, (blur_mm / step, blur_mm / step, 0), mode="nearest")
    mean = light.reshape(ROWS, FINE, COLUMNS, FINE, 3).mean(axis=(1, 3))
    rng = np.random.default_rng(1)
    return (-np.log10(mean) + rng.normal(0, noise, mean.shape)).astype(np.float32)


def even(density: float) -> np.ndarray:
    return np.full((ROWS, COLUMNS, 3), density)


def textured(seed: int, contrast: float = 0.3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    grass = ndimage.gaussian_filter(rng.normal(0, 1, (ROWS, COLUMNS)), 1.2)
    return 0.9 + contrast * (grass / grass.std())[..., None] * np.array([1.0, 0.9, 0.7])


def left(shown: np.ndarray, rim) -> np.ndarray:
    """Return what is written: the picture less its rim, in whole pixels."""
    first, top, right, lower = (math.ceil(mm / PITCH_MM - 1e-6) for mm in rim)
    return shown[top : ROWS - lower, first : COLUMNS - right]


@settings(max_examples=12)
@given(st.floats(0, 0.15), st.floats(0, 0.2), st.floats(0, 0.5), st.floats(0.5, 1.6))
def test_no_line_and_no_corner_of_base_is_left(off_mm, slant_mm, radius_mm, density):
    shown = scanned(even(density), off_mm, slant_mm, radius_mm)
    rim = rim_mm(shown, SIZE_MM)
    assert max(rim) <= 0.4
    # A hundredth of the base's light, from a blur's far end, takes a tenth of a dense picture.
    rest = ndimage.uniform_filter1d(left(shown, rim), 9, axis=1)
    assert rest[0].min() > 0.85 * density
    assert rest[-1].min() > 0.85 * density
    corners = left(shown, rim)[[0, 0, -1, -1], [0, -1, -1, 0]].mean(axis=1)
    assert corners.min() > 0.75 * density


def test_an_inset_of_all_sides_alike_would_leave_the_slanted_one():
    # Guards the test above: without the cut it fails.
    shown = scanned(even(1.0), 0.1, 0.15, 0.5)
    assert shown[0].mean() < 0.5
    assert shown[0, 0].mean() < 0.1


@given(st.floats(0.3, 2.0), st.floats(-0.4, 0.4), st.floats(-0.4, 0.4))
# Their corners are 0.03 to 0.1 above base: thin, but as all around leads to.
@example(0.541, -0.228, 0.279)
@example(0.74, -0.309, -0.373)
@example(0.642, -0.39, 0.262)
@settings(max_examples=15)
def test_a_picture_to_its_edge_is_left_whole(density, across, down):
    y, x = np.mgrid[-1 : 1 : ROWS * 1j, -1 : 1 : COLUMNS * 1j]
    slope = across * x + down * y + 0.1 * np.sin(9 * x)
    noise = np.random.default_rng(2).normal(0, 0.01, (ROWS, COLUMNS, 3))
    assume(density + slope.min() > 0)
    assert rim_mm(density + slope[..., None] + noise, SIZE_MM) == (0.0, 0.0, 0.0, 0.0)


def test_dark_pictures_show_no_rim_and_keep_theirs():
    assert rim_mm(scanned(even(0.0), 0.1, 0.1, 0.5), SIZE_MM) == (0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("seed", range(6))
def test_texture_is_seldom_taken_for_a_rim(seed):
    cut = np.array(rim_mm(textured(seed), SIZE_MM))
    assert cut.sum() <= 3 * PITCH_MM


@pytest.mark.parametrize("seed", range(4))
def test_a_rim_is_seen_beside_texture(seed):
    rim = rim_mm(scanned(textured(seed, 0.15), 0.1), SIZE_MM)
    assert min(rim) >= PITCH_MM - 1e-9


def test_one_side_alone_is_cut():
    picture = scanned(even(1.0))
    picture[:, :1] = 0.2
    assert rim_mm(picture, SIZE_MM) == pytest.approx((PITCH_MM, 0.0, 0.0, 0.0))


@pytest.mark.parametrize("shape", [(1, 1), (5, 9), (30, 200), (400, 12)])
def test_too_small_a_picture_tells_nothing(shape):
    assert rim_mm(np.ones((*shape, 3), np.float32), (36.0, 24.0)) == (0.0, 0.0, 0.0, 0.0)
