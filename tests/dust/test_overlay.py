"""How a plane lies over a picture that magnifies otherwise, against scipy.ndimage's resampling."""

import numpy as np
import pytest
import scipy.ndimage

from pipeline.dust.infrared import CrossTalk
from pipeline.dust.overlay import laid_over, square_of
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
