"""The reduced picture of a scan, against plain means in double precision."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.scan.encoding import linear, power
from pipeline.scan.proxy import block_means, reduced, to_proxy_xy, to_scan_xy


def plain_means(plane: np.ndarray, factor: int) -> np.ndarray:
    """Average block by block with numpy in float64."""
    rows, columns = -(-plane.shape[0] // factor), -(-plane.shape[1] // factor)
    blocks = [
        [
            plane[i * factor : (i + 1) * factor, j * factor : (j + 1) * factor]
            .astype(np.float64)
            .mean(axis=(0, 1))
            for j in range(columns)
        ]
        for i in range(rows)
    ]
    return np.asarray(blocks)


@pytest.mark.parametrize("channels", [(), (3,)])
@given(
    height=st.integers(1, 40),
    width=st.integers(1, 40),
    factor=st.integers(1, 13),
    seed=st.integers(0, 1000),
)
def test_means_are_plain_means(channels, height, width, factor, seed):
    plane = np.random.default_rng(seed).random((height, width, *channels), np.float32)
    before = plane.copy()
    means = block_means(plane, factor)
    assert means.dtype == np.float32
    assert_allclose(means, plain_means(plane, factor), rtol=2e-6)
    assert_array_equal(plane, before)


def test_means_of_wide_planes():
    # Wider than the 32767 columns that some image functions end at.
    plane = np.random.default_rng(1).random((9, 40_001, 3), np.float32)
    assert_allclose(block_means(plane, 4), plain_means(plane, 4), rtol=2e-6)


def test_a_dark_scan_keeps_its_precision():
    # Light of the code 3 of 65535, about the shadow of a dense negative.
    plane = np.full((64, 64, 3), 3 / 65535, np.float32)
    assert_allclose(block_means(plane, 16), 3 / 65535, rtol=1e-6)


@given(
    height=st.integers(1, 30),
    width=st.integers(1, 30),
    factor=st.integers(1, 9),
    seed=st.integers(0, 1000),
)
def test_flags_are_those_of_any_sample(height, width, factor, seed):
    flags = np.random.default_rng(seed).random((height, width, 3)) < 0.02
    expected = plain_means(flags.any(axis=2), factor) > 0
    assert_array_equal(reduced(np.float32(flags), linear("icc"), None, factor)[1], expected)


def test_the_centre_of_a_proxy_pixel_is_the_centre_of_its_block():
    # Block 2 of factor 5 holds pixels 10 to 14, the centre of which is 12.
    assert_array_equal(to_scan_xy(np.array([2.0, 0.0]), 5), [12.0, 2.0])
    assert_array_equal(to_proxy_xy(np.array([12.0, 2.0]), 5), [2.0, 0.0])


@given(x=st.floats(-10, 30000), y=st.floats(-10, 30000), factor=st.integers(1, 50))
def test_ways_there_and_back_are_inverse(x, y, factor):
    points = np.array([[x, y]])
    assert_allclose(to_scan_xy(to_proxy_xy(points, factor), factor), points, atol=1e-8)


@pytest.mark.parametrize("encoding", [linear("container"), power(2.2, "option")])
@pytest.mark.parametrize("samples", [slice(0, 3), slice(3, 4), slice(1, 3)])
def test_samples_with_others_between_them_are_reduced_as_alone(encoding, samples):
    every = np.random.default_rng(1).integers(0, 65536, (23, 17, 4)).astype(np.uint16)
    every[3, 5, 3], every[20, 9, 0] = 65535, 65535
    part = every[..., samples]
    for found, alone in zip(
        reduced(part, encoding, 16, 5), reduced(part.copy(), encoding, 16, 5), strict=True
    ):
        assert found.shape == alone.shape
        assert (found == alone).all()
