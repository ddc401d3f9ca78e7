"""Filling of holes, against biharmonic inpainting of scikit-image (Damelin and Hoang, 2018)."""

import numpy as np
import pytest
import scipy.ndimage
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.restoration import inpaint_biharmonic

from pipeline.dust.fill import filled, grain_near, with_grain
from tests.film_model.picture import picture_codes


def holes_in(shape: tuple[int, int], seed: int, count: int = 40) -> np.ndarray:
    rng = np.random.default_rng(seed)
    mask = np.zeros(shape, bool)
    for _ in range(count):
        y, x = rng.integers(0, shape[0]), rng.integers(0, shape[1])
        side = rng.integers(1, 6)
        mask[y : y + side, x : x + side] = True
    return mask


@given(st.lists(st.floats(-2, 2), min_size=9, max_size=9), st.integers(0, 50))
@settings(max_examples=20)
def test_a_slope_is_carried_on_exactly(numbers, seed):
    y, x = np.mgrid[0:40, 0:50] / 50.0
    level, across, down = np.reshape(numbers, (3, 3))
    plane = (level + x[..., None] * across + y[..., None] * down).astype(np.float32)
    mask = holes_in((40, 50), seed, 8)
    mask[:3] = mask[-3:] = mask[:, :3] = mask[:, -3:] = False
    broken = plane.copy()
    broken[mask] = 9.0
    assert filled(broken, mask) == pytest.approx(plane[mask], abs=2e-4)


def test_holes_of_a_photograph_are_filled_as_well_as_by_biharmonic_inpainting():
    picture = picture_codes("table")[:240, 100:340].astype(np.float32) / 255.0
    mask = holes_in(picture.shape[:2], 3)
    reference = inpaint_biharmonic(picture, mask, channel_axis=2)
    ours = np.sqrt(np.square(filled(picture, mask) - picture[mask]).mean())
    theirs = np.sqrt(np.square(reference[mask] - picture[mask]).mean())
    assert ours <= 1.1 * theirs


def test_what_stood_in_the_holes_does_not_count():
    picture = picture_codes("table")[:90, 100:200].astype(np.float32) / 255.0
    mask = holes_in(picture.shape[:2], 5)
    other = picture.copy()
    other[mask] = np.float32(-7.0)
    assert (filled(other, mask) == filled(picture, mask)).all()


def test_holes_at_the_border_are_filled():
    picture = np.full((12, 15, 3), 0.4, np.float32)
    mask = np.zeros((12, 15), bool)
    mask[:4] = mask[:, -2:] = True
    assert filled(picture, mask) == pytest.approx(np.full((mask.sum(), 3), 0.4), abs=1e-5)
    assert filled(picture, np.zeros((12, 15), bool)).shape == (0, 3)


def test_filled_places_are_as_grainy_as_the_rest():
    rng = np.random.default_rng(2)
    picture = (0.7 + 0.03 * rng.standard_normal((120, 120, 3))).astype(np.float32)
    mask = np.zeros((120, 120), bool)
    mask[20:100:20, 20:100:20] = True
    mask = np.asarray(np.lib.stride_tricks.sliding_window_view(np.pad(mask, 3), (7, 7)).any((2, 3)))
    smooth = filled(picture, mask)
    grainy = with_grain(smooth, grain_near(picture, mask, np.nonzero(mask)))
    inner = scipy.ndimage.binary_erosion(mask)
    fineness = []
    for values in (picture[mask], smooth, grainy):
        mended = picture.copy()
        mended[mask] = values
        fineness.append(float(scipy.ndimage.laplace(mended, axes=(0, 1))[inner].std()))
    assert fineness[1] < 0.3 * fineness[0]
    assert 0.7 * fineness[0] < fineness[2] < 1.2 * fineness[0]
    assert (with_grain(smooth, grain_near(picture, mask, np.nonzero(mask))) == grainy).all()
