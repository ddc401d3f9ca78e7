"""Channels held against numpy's own reductions, of which they are to be the same bit for bit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis.extra import numpy as arrays

from pipeline.channels import channel_mean, greatest, least, less, log_above, over, tint

VALUES = arrays.arrays(
    np.float32,
    arrays.array_shapes(min_dims=1, max_dims=2, max_side=5).map(lambda shape: (*shape, 3)),
    elements={"allow_nan": False, "min_value": -1e6, "max_value": 1e6},
)


@given(VALUES)
def test_channels_are_those_that_numpy_finds(values):
    assert (greatest(values) == values.max(axis=-1)).all()
    assert (least(values) == values.min(axis=-1)).all()
    assert (channel_mean(values) == values.mean(axis=-1)).all()


@pytest.mark.parametrize("shape", [(7, 5, 3), (70, 3)])
def test_channels_need_no_dense_values(shape):
    values = np.random.default_rng(0).normal(size=shape).astype(np.float32)[::2]
    assert (greatest(values) == values.max(axis=-1)).all()
    assert (channel_mean(values) == values.mean(axis=-1)).all()
    assert channel_mean(values).dtype == np.float32


@given(VALUES.filter(lambda values: values.ndim > 1))
def test_levels_of_channels_are_taken_as_numpy_takes_them(values):
    levels = np.array([0.3, 0.7, 1.9])
    assert (less(values, levels) == values - levels.astype(np.float32)).all()
    assert (over(values, levels) == values / levels.astype(np.float32)).all()
    logs = np.log10(np.maximum(values - levels.astype(np.float32), np.float32(1e-3)))
    assert (log_above(values, levels, 1e-3) == logs).all()
    mean = channel_mean(values)
    assert (tint(values, mean) == np.abs(values - mean[..., None]).max(axis=-1)).all()


@pytest.mark.parametrize("shape", [(0, 3), (0, 4, 3), (4, 0, 3)])
def test_no_values_are_left_as_none(shape):
    assert less(np.zeros(shape, np.float32), (1.0, 2.0, 3.0)).shape == shape
