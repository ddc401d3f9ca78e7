"""Newton's method: against places known by hand, and laws of what is added up."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.colour.newton import Fit, climbed, normal_fit

places = st.lists(st.floats(-3.0, 3.0), min_size=2, max_size=2).map(np.array)
INVERSE = np.array([[4.0, 1.0], [1.0, 2.0]])


@given(places, places)
def test_the_middle_of_two_normal_laws_is_where_their_slopes_even_out(one, other):
    def fitted(at):
        return normal_fit(at - one, INVERSE) + normal_fit(at - other, np.eye(2))

    place, there = climbed(fitted, np.zeros(2))
    expected = np.linalg.solve(INVERSE + np.eye(2), INVERSE @ one + other)
    assert place == pytest.approx(expected, abs=1e-6)
    assert there.curved == pytest.approx(INVERSE + np.eye(2))


def test_a_normal_law_costs_half_its_square():
    fit = normal_fit(np.array([1.0, -1.0]), INVERSE)
    assert (fit.cost, fit.slope.tolist()) == (2.0, [3.0, -1.0])


@pytest.mark.parametrize("start", [-8.0, 0.3, 20.0])
def test_a_step_too_long_for_its_curvature_is_halved(start):
    """Newton's steps alone swing out on log cosh from 1.1 on; the curvature told is too small."""

    def fitted(at):
        bent = np.maximum(1.0 / np.cosh(at - 2.0) ** 2, 0.05)
        return Fit(float(np.log(np.cosh(at - 2.0)).sum()), np.tanh(at - 2.0), np.diag(bent))

    place, _ = climbed(fitted, np.array([start]))
    assert place == pytest.approx([2.0], abs=0.05)
