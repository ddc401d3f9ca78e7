"""Order statistics held against numpy's own, of which they are to be the same bit for bit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from pipeline.channels import median, percentiles

KINDS = st.sampled_from([np.float32, np.float64])


@given(st.data(), KINDS, st.integers(0, 2))
def test_medians_are_those_of_numpy(data, kind, axis):
    shape = data.draw(arrays.array_shapes(min_dims=3, max_dims=3, max_side=7))
    values = np.random.default_rng(data.draw(st.integers(0, 99))).normal(size=shape).astype(kind)
    found = median(values, axis)
    assert found.dtype == np.median(values, axis=axis).dtype
    assert (found == np.median(values, axis=axis)).all()


@given(st.integers(1, 400), KINDS, st.integers(0, 999), st.floats(0.0, 100.0))
def test_percentiles_are_those_of_numpy(count, kind, seed, share):
    values = np.random.default_rng(seed).normal(size=(count, 3)).astype(kind)
    shares = [1, 50, 99, share]
    expected = np.percentile(values, shares, axis=0)
    found = percentiles(values, shares)
    assert found.dtype == expected.dtype
    assert (found == expected).all()


@pytest.mark.parametrize("count", [100_000, 100_001])
def test_long_lines_with_many_alike_have_numpys_median(count):
    values = np.random.default_rng(0).integers(0, 50, (2, count)).astype(np.float32)
    assert (median(values) == np.median(values, axis=1)).all()
