"""Counts of points on lines and runs of rows, held against plain searches."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.strip.area_kernel import medians, products
from pipeline.strip.film_edge import first_runs
from pipeline.strip.kernel import fullest_slope


@settings(deadline=None)
@given(st.integers(1, 9), st.integers(1, 60), st.floats(0.5, 30.0), st.integers(0, 99))
def test_the_fullest_slope_is_that_of_a_plain_search(tries, points, width, seed):
    rng = np.random.default_rng(seed)
    # Whole numbers fall on each other and on the ends of windows.
    x, y = rng.integers(0, 40, (2, points)).astype(float)
    slopes = rng.integers(-4, 5, tries) / 4
    held = []
    for slope in slopes:
        rest = np.sort(y - slope * x)
        held.append((np.searchsorted(rest, rest + width, "right") - np.arange(points)).max())
    assert fullest_slope(x, y, slopes, width) == np.argmax(held)


def test_points_that_scatter_far_have_their_fullest_slope():
    x, y = np.arange(8.0), np.array([0.0, 1.0, 2.0, 3.0, 1e9, 5.0, -1e9, 7.0])
    assert fullest_slope(x, y, np.array([0.0, 1.0, 0.5]), 0.5) == 1


@settings(deadline=None)
@given(st.integers(1, 12), st.integers(1, 8), st.integers(1, 4), st.integers(0, 99))
def test_first_runs_are_those_of_a_plain_search(height, width, run, seed):
    film = np.random.default_rng(seed).random((height, width)) < 0.7
    for column, found in zip(film.T, first_runs(film, run), strict=True):
        starts = [row for row in range(height - run + 1) if column[row : row + run].all()]
        assert found == (starts[0] if starts else -1)


@settings(deadline=None)
@given(st.lists(st.integers(1, 9), min_size=1, max_size=6), st.integers(0, 99))
def test_areas_have_numpys_medians(sizes, seed):
    values = np.random.default_rng(seed).normal(size=(sum(sizes), 3))
    starts = np.concatenate([[0], np.cumsum(sizes)])
    some = np.arange(len(sizes))[::-1].copy()
    found = np.empty((len(some), 3))
    medians(values, starts, some, found)
    for row, area in zip(found, some, strict=True):
        assert (row == np.median(values[starts[area] : starts[area + 1]], axis=0)).all()


def test_areas_have_the_mean_products_of_their_pixels():
    rng = np.random.default_rng(2)
    terms, light = rng.normal(size=(50, 7)), rng.normal(size=(50, 3))
    starts = np.array([0, 8, 41, 50])
    squared, crossed = np.empty((3, 7, 7)), np.empty((3, 7, 3))
    products(terms, light, starts, squared, crossed)
    for area, part in enumerate(np.split(np.arange(50), starts[1:-1])):
        assert squared[area] == pytest.approx(terms[part].T @ terms[part] / len(part))
        assert crossed[area] == pytest.approx(terms[part].T @ light[part] / len(part))
