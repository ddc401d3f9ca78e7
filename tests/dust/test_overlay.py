"""How a plane lies over a picture magnified otherwise or smooth, against scipy.ndimage."""

import numpy as np
import pytest
import scipy.ndimage

from pipeline.dust.infrared import CrossTalk, smooth_wide
from pipeline.dust.overlay import correlation, laid_over, square_of
from tests.film_model.picture import picture_codes

TALK = CrossTalk((0.5, 0.0, 0.0), "dust")
SIDE = 1536


def test_a_plane_magnified_otherwise_is_laid_over():
    scene = picture_codes("gravel").astype(np.float32) / 255.0
    scene = scipy.ndimage.zoom(scene, (3, 3, 1), order=1)
    density = np.asarray(-np.log10(0.02 + scene), np.float32)
    through = 0.5 * density[..., 0]
    middle, grown = (SIDE - 1) / 2, np.array([0.001, 0.0006])
    # A point x of the picture lies at middle + shift + (1 + grown) (x - middle) in the plane.
    shift = np.array([0.6, -0.4])
    scale = 1.0 / (1.0 + grown)
    offset = middle - (middle + shift) * scale
    plane = scipy.ndimage.affine_transform(
        through, np.diag(scale), offset, order=3, mode="nearest"
    ).astype(np.float32)
    squares = []
    for top in (64, 640, 1216):
        for left in (64, 640, 1216):
            box = slice(top, top + 256), slice(left, left + 256)
            place = tuple((start + 127.5 - middle) / (SIDE / 2) for start in (left, top))
            squares.append(square_of(plane[box], density[box], TALK, place))
    placed = laid_over(squares)
    for x, y in ((0.0, 0.0), (0.5, 0.5), (-0.5, 0.5)):
        down, across = shift + grown * np.array([y, x]) * SIDE / 2
        assert placed.shift_at((x, y)) == pytest.approx((across, down), abs=0.12)
    assert placed.focus_px < 0.5


def test_dust_on_a_smooth_picture_lays_the_plane_over():
    rng = np.random.default_rng(5)
    down, across = np.mgrid[0:400, 0:400] / 400.0
    picture = 0.6 + 0.3 * np.sin(3 * down) * np.cos(2 * across)
    dust = np.zeros((400, 400))
    dust[rng.integers(8, 392, 40), rng.integers(8, 392, 40)] = 8.0
    dust = scipy.ndimage.gaussian_filter(dust, 1.2)
    plane = scipy.ndimage.shift(0.5 * picture + dust, (0.7, -1.3), order=3, mode="nearest")
    plane += 0.004 * rng.standard_normal(plane.shape)
    grain = 0.01 * rng.standard_normal((400, 400, 3))
    density = ((picture + dust)[..., None] + grain).astype(np.float32)
    placed = laid_over([square_of(plane.astype(np.float32), density, TALK)])
    assert placed.shift == pytest.approx((-1.3, 0.7), abs=0.1)


@pytest.mark.parametrize("sigma", [2.0, 4.0, 8.0])
@pytest.mark.parametrize("shape", [(256, 256), (251, 187)])
def test_a_wide_blur_is_nearly_that_of_a_gaussian(sigma, shape):
    rng = np.random.default_rng(3)
    plane = scipy.ndimage.gaussian_filter(rng.normal(0.0, 1.0, shape), 1.0).astype(np.float32)
    plane += np.linspace(0.0, 1.0, shape[1], dtype=np.float32)
    blurred = scipy.ndimage.gaussian_filter(plane, sigma, mode="mirror")
    rim = 2 * int(sigma)
    off = (smooth_wide(plane, sigma) - blurred)[rim:-rim, rim:-rim]
    assert off.std() < 0.05 * plane.std()
    assert abs(off.mean()) < 0.002


def test_sums_tell_the_correlation_that_a_transform_tells():
    rng = np.random.default_rng(4)
    plane, picture = rng.normal(0.0, 1.0, (2, 61, 83)).astype(np.float32)
    near, wide = correlation(plane, picture, 1), correlation(plane, picture, 3)
    assert near == pytest.approx(wide[2:5, 2:5], rel=1e-4, abs=1e-2)
