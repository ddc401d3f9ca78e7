"""Ends of film along a strip against drawn ones."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.strip.film_end import ends_of

HEIGHT, WIDTH = 40, 200


@given(start=st.floats(2, 80), end=st.floats(100, 198))
def test_ends_are_told_to_a_part_of_a_pixel(start, end):
    edges = np.arange(WIDTH + 1.0)
    within = np.minimum(edges[1:], end) - np.maximum(edges[:-1], start)
    # Soft or slanting ends: a column is film in as many of its rows as film covers of it.
    covered = np.clip(within, 0, 1) * 1000
    mask = np.arange(1000)[:, None] < np.rint(covered)[None, :]
    mask = mask[np.random.default_rng(0).permutation(1000)]
    # Half way between columns' middles: 1/2 / (1 - c) is c + 1/2 to .086 for c from 0 to 1/2.
    assert ends_of(mask, 0.0, 1000.0) == pytest.approx((start - 0.5, end - 0.5), abs=0.1)


def test_film_whose_edges_cross_or_lie_out_of_view_has_no_ends():
    mask = np.ones((HEIGHT, WIDTH), bool)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert ends_of(mask, 30.0, 10.0) == (0.0, 0.0)
        assert ends_of(mask, HEIGHT + 5.0, HEIGHT + 30.0) == (0.0, 0.0)
        assert ends_of(np.zeros_like(mask), 5.0, 35.0) == (0.0, 0.0)
