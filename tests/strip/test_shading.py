"""Smooth surfaces of light over a view: fitted ones are those of the law that made the readings."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.strip.shading import (
    fit_shading,
    over_view,
    places,
    shading_near,
    shading_terms,
    surface,
    surface_of,
)

terms_of_light = st.lists(st.floats(-0.1, 0.1), min_size=15, max_size=15).map(
    lambda numbers: np.array(numbers).reshape(3, 5)
)


def test_places_run_from_one_edge_to_the_other():
    x, y = places((3, 5))
    assert x.tolist() == [[-1.0, -0.5, 0.0, 0.5, 1.0]]
    assert y.tolist() == [[-1.0], [0.0], [1.0]]


@given(terms_of_light)
def test_terms_mean_over_a_view_what_the_surface_does(terms):
    shape = (21, 64)
    assert over_view(terms, shape) == pytest.approx(
        surface_of(terms, shape).mean(axis=(0, 1)), abs=1e-12
    )


@given(terms_of_light)
def test_the_surface_nearest_to_one_is_that(terms):
    shape = (33, 101)
    corners = np.array([[10.0, 3.0], [90.0, 30.0]])
    assert shading_near(surface_of(terms, shape), corners) == pytest.approx(terms, abs=1e-6)


@given(st.floats(-0.2, 0.2), st.integers(0, 20))
def test_light_that_leans_along_a_strip_is_followed(lean, seed):
    terms, shape = np.zeros((3, 5)), (40, 400)
    terms[:, 1] = lean
    at = np.random.default_rng(seed).uniform(-1.0, 1.0, (2, 4000))
    along, down = surface(terms, *at)
    fitted = fit_shading(shading_terms(*at), along + down, shape)
    # The ridge takes 0.6 % of it.
    assert (
        np.abs(surface_of(fitted, shape) - surface_of(terms, shape)).max()
        < 0.01 * abs(lean) + 1e-12
    )
