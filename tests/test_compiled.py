"""Logarithm and power of the compiled loops, beside those of float64."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.compiled import exp2, held_exp2, log2


@given(st.floats(-126.0, 126.0, width=32))
def test_power_is_that_of_float64(value):
    assert exp2(np.float32(value)) == pytest.approx(2.0**value, rel=3e-7)


@given(st.floats(2.0**-120, 2.0**120, width=32))
def test_logarithm_is_that_of_float64(value):
    told = np.log2(np.float64(value))
    assert log2(np.float32(value)) == pytest.approx(told, rel=2e-7, abs=2e-7)


@pytest.mark.parametrize(
    ("value", "told"), [(-1e30, 2.0**-126), (-127.0, 2.0**-126), (1e30, 2.0**126)]
)
def test_power_is_held_where_that_is_asked(value, told):
    assert held_exp2(np.float32(value)) == pytest.approx(told, rel=1e-6)


def test_ones_stay_ones():
    assert exp2(np.float32(0.0)) == 1.0
    assert log2(np.float32(1.0)) == 0.0
