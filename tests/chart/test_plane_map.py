"""Maps through pairs of points, held against scikit-image's."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import AffineTransform, ProjectiveTransform

from pipeline.chart.plane_map import map_through


@settings(deadline=None)
@given(st.integers(4, 30), st.booleans(), st.integers(0, 99))
def test_a_map_is_that_of_the_library(count, affine, seed):
    rng = np.random.default_rng(seed)
    start = rng.uniform(0, 6, (count, 2))
    matrix = np.array([[30.0, 4.0, 100.0], [-3.0, 28.0, 50.0], [0.004, -0.006, 1.0]])
    whole = np.column_stack([start, np.ones(count)]) @ matrix.T
    end = whole[:, :2] / whole[:, 2:] + rng.normal(0, 0.3, (count, 2))
    found = map_through(start, end, affine=affine)
    theirs = (AffineTransform if affine else ProjectiveTransform).from_estimate(start, end)
    inside = rng.uniform(1, 5, (9, 2))
    assert found is not None
    assert found(inside) == pytest.approx(theirs(inside), abs=1e-5)
    assert found.inverse(found(inside)) == pytest.approx(inside, abs=1e-6)


def test_points_in_one_place_fix_no_map():
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    assert map_through(corners, np.full((4, 2), 3.0)) is None
