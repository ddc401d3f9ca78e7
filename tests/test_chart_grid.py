"""Grids of patches, and patches, against scikit-image."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.draw import polygon
from skimage.measure import label, regionprops
from skimage.transform import ProjectiveTransform

from pipeline.chart_grid import Patches, even_patches, find_grids
from tests.charted import drawn_negative

BENDS = st.lists(st.floats(-2e-4, 2e-4), min_size=2, max_size=2)


def seen_from(angle_deg: float, step: float, bends: list[float]) -> np.ndarray:
    """Return a projective map: turned, enlarged, tilted."""
    rad = np.radians(angle_deg)
    cos, sin = step * np.cos(rad), step * np.sin(rad)
    return np.array([[cos, -sin, 150.0], [sin, cos, 90.0], [*(np.array(bends) * step), 1.0]])


@given(st.floats(-180.0, 180.0), st.floats(8.0, 60.0), BENDS, st.integers(0, 1000))
def test_a_grid_with_holes_among_other_things_is_found(angle, step, bends, seed):
    rng = np.random.default_rng(seed)
    matrix = seen_from(angle, step, bends)
    places = np.array([[x, y] for y in range(4) for x in range(6)], float)
    kept = rng.permutation(24)[:18]
    centres = ProjectiveTransform(matrix)(places[kept]) + rng.normal(0, 0.02 * step, (18, 2))
    other = rng.uniform(-400, 700, (12, 2))
    sides = np.concatenate([np.full(18, 0.85 * step), rng.uniform(3, 80, 12)])
    grids = find_grids(Patches(np.concatenate([centres, other]), sides))
    assert grids
    assert len(grids[0].cells) >= 15
    # Every patch of the grid lies at a whole place of it, whatever its origin and axes.
    at = grids[0].to_picture.inverse(centres)
    assert np.abs(at - np.rint(at)).max() < 0.3


def test_a_few_or_scattered_patches_are_no_grid():
    rng = np.random.default_rng(3)
    assert find_grids(Patches(np.zeros((0, 2)), np.zeros(0))) == []
    few = np.array([[x * 20.0, y * 20.0] for x in range(3) for y in range(2)])
    assert find_grids(Patches(few, np.full(6, 17.0))) == []
    row = np.array([[x * 20.0, 0.0] for x in range(20)])
    assert find_grids(Patches(row, np.full(20, 17.0))) == []
    scattered = rng.uniform(0, 1000, (60, 2))
    assert find_grids(Patches(scattered, np.full(60, 15.0))) == []


def test_patches_lie_where_scikit_image_has_them():
    picture, _ = drawn_negative()
    regions = [
        region.centroid[::-1]
        for region in regionprops(label(np.abs(picture - 0.25).max(axis=2) > 1e-6))
    ]
    patches = even_patches(picture)
    for x, y in regions:
        off = np.hypot(*(patches.centres - [x, y]).T)
        assert off.min() < 0.8
    assert len(regions) == 24
    # Edges are as wide as the picture's blur makes them: a pixel more or less on each side.
    assert patches.sides[:24] == pytest.approx(np.full(24, 26.0), abs=2.0)


@given(st.floats(0.0, 90.0), st.floats(14.0, 40.0))
def test_a_turned_square_is_a_patch_and_a_long_or_round_thing_is_not(angle, side):
    def shape(wide: float, high: float) -> Patches:
        rad = np.radians(angle)
        corners = np.array([[-wide, -high], [wide, -high], [wide, high], [-wide, high]]) / 2
        turned = corners @ np.array([[np.cos(rad), np.sin(rad)], [-np.sin(rad), np.cos(rad)]])
        picture = np.full((200, 220, 3), 0.2, np.float32)
        picture[polygon(*(turned + np.array([105.0, 95.0])).T)] = 0.9
        return even_patches(picture)

    square = shape(side, side)
    assert len(square.sides) == 1
    # `polygon` takes rows first.
    assert square.centres[0] == pytest.approx([95.0, 105.0], abs=1.0)
    assert square.sides[0] == pytest.approx(side, abs=2.5)
    assert len(shape(3 * side, side).sides) == 0


def test_a_plain_picture_has_no_patches():
    assert len(even_patches(np.full((60, 90, 3), 0.5, np.float32)).sides) == 0
