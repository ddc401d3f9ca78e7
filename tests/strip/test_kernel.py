"""Counts of points on lines and runs of rows, held against plain searches."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.strip.film_edge import first_runs
from pipeline.strip.kernel import fullest_windows


@settings(deadline=None)
@given(st.integers(1, 5), st.integers(1, 60), st.floats(0.0, 30.0), st.integers(0, 99))
def test_windows_are_those_of_a_plain_search(tries, points, width, seed):
    rng = np.random.default_rng(seed)
    # Whole numbers fall on each other and on the ends of windows.
    rests = np.sort(rng.integers(0, 40, (tries, points)).astype(float), axis=1)
    found = np.empty((tries, 2), np.int64)
    fullest_windows(rests, width, found)
    for rest, (start, count) in zip(rests, found, strict=True):
        counts = np.searchsorted(rest, rest + width, "right") - np.arange(points)
        assert (start, count) == (np.argmax(counts), counts.max())


@settings(deadline=None)
@given(st.integers(1, 12), st.integers(1, 8), st.integers(1, 4), st.integers(0, 99))
def test_first_runs_are_those_of_a_plain_search(height, width, run, seed):
    film = np.random.default_rng(seed).random((height, width)) < 0.7
    for column, found in zip(film.T, first_runs(film, run), strict=True):
        starts = [row for row in range(height - run + 1) if column[row : row + run].all()]
        assert found == (starts[0] if starts else -1)
