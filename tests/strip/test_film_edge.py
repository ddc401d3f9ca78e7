"""Lines and long edges of strips against drawn ones."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.strip.film_edge import (
    find_edges,
    least_squares_line,
    robust_line,
)

GATE, BASE, HOLDER = 0.9, 0.3, 0.002
HEIGHT, WIDTH, SCALE = 120, 400, 2.5


@given(
    slope=st.floats(-0.05, 0.05), level=st.floats(-50, 50), seed=st.integers(0, 1000),
    share=st.floats(0.0, 0.4),
)  # fmt: skip
def test_the_line_that_most_points_lie_on_is_found_among_others(slope, level, seed, share):
    rng = np.random.default_rng(seed)
    x = np.arange(500.0)
    y = slope * x + level + rng.normal(0, 0.1, 500)
    strays = rng.random(500) < share
    y[strays] += rng.uniform(2, 30, int(strays.sum())) * rng.choice([-1, 1], int(strays.sum()))
    found_slope, found_level = robust_line(x, y, 0.5, 0.06)
    # Least squares over n points of deviation s: s / sqrt(n) at their middle (Gauss).
    assert found_slope * 250 + found_level == pytest.approx(slope * 250 + level, abs=0.04)
    assert found_slope == pytest.approx(slope, abs=0.0004)


def test_least_squares_of_numpy_where_nothing_strays():
    x = np.arange(60.0)
    y = 0.02 * x + 3 + 0.1 * np.sin(x)
    assert robust_line(x, y, 0.5, 0.06) == pytest.approx(tuple(np.polyfit(x, y, 1)), abs=1e-9)


def test_two_points_give_their_middle():
    assert robust_line(np.array([0.0, 9.0]), np.array([2.0, 4.0]), 0.5, 0.06) == (0.0, 3.0)


def below(slope: float, level: float) -> np.ndarray:
    """Return the share of each pixel below the line y = slope * x + level."""
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    return np.clip(y + 0.5 - slope * x - level, 0, 1)


def drawn(upper: tuple[float, float], lower: tuple[float, float], cover: float | None = None):
    """Return view, film, valid and share of gate; a holder covers rows above `cover`."""
    film = below(*upper) * (1 - below(*lower))
    open_gate = 1 - film
    light = BASE * film + GATE * open_gate
    if cover is not None:
        shown = below(0.0, cover)
        light, film, open_gate = (plane * shown for plane in (light, film, open_gate))
        light += HOLDER * (1 - shown)
    view = np.repeat(light[:, :, None], 3, axis=2).astype(np.float32)
    return view, film > 0.5, np.ones(film.shape, bool), open_gate.astype(np.float32)


@given(slope=st.floats(-0.04, 0.04), level=st.floats(14, 22))
def test_film_edges_against_the_gate_to_a_tenth_of_a_pixel(slope, level):
    edges = find_edges(*drawn((slope, level), (slope, level + 85)), SCALE, 0.06)
    assert edges is not None
    for edge, true in zip(edges, (level, level + 85), strict=True):
        assert edge.against_gate
        assert edge.at(WIDTH / 2) == pytest.approx(slope * WIDTH / 2 + true, abs=0.1)
        # And to two tenths at the view's ends.
        for x in (0, WIDTH):
            assert edge.at(x) == pytest.approx(slope * x + true, abs=0.2)


def test_a_holder_over_the_film_is_not_the_films_edge():
    edges = find_edges(*drawn((0.004, 14.0), (0.004, 100.0), cover=25.3), SCALE, 0.06)
    assert edges is not None
    upper, lower = edges
    assert not upper.against_gate
    assert lower.against_gate
    assert upper.slope == pytest.approx(0.0, abs=0.0005)
    assert upper.at(200) == pytest.approx(25.3, abs=0.1)
    assert lower.slope == pytest.approx(0.004, abs=0.0005)


def test_a_few_covered_columns_do_not_tell_where_bowed_film_ends():
    x = np.arange(WIDTH)
    # Film bowed by 3 mm in its plane; something dark lies over it at its end.
    upper = 20.0 - 3.0 * SCALE * ((x - WIDTH / 2) / (WIDTH / 2)) ** 2
    y = np.arange(HEIGHT)[:, None]
    film = np.clip(y + 0.5 - upper, 0, 1) * (1 - np.clip(y + 0.5 - upper - 87.0, 0, 1))
    gate = 1 - film
    dark = (x >= WIDTH - 14) & (y < 70)
    film, gate = np.where(dark, 0.0, film), np.where(dark, 0.0, gate)
    light = np.repeat((BASE * film + GATE * gate)[:, :, None], 3, axis=2).astype(np.float32)
    valid = np.ones(film.shape, bool)
    edges = find_edges(light, film > 0.5, valid, gate.astype(np.float32), SCALE, 0.06)
    assert edges is not None
    assert upper.min() - 0.5 < edges[0].at(WIDTH / 2) < upper.max() + 0.5


def test_holes_that_a_holder_cuts_do_not_feign_an_edge():
    view, film, valid, share = drawn((0.0, 10.0), (0.0, 100.0), cover=20.0)
    for left in range(5, WIDTH - 10, 12):
        columns = slice(left, left + 5)
        view[20:26, columns], film[20:26, columns], share[20:26, columns] = GATE, False, 1.0
    edges = find_edges(view, film, valid, share, SCALE, 0.06)
    assert edges is not None
    assert not edges[0].against_gate
    assert edges[0].at(200) == pytest.approx(20.0, abs=0.3)


def test_the_border_of_the_scan_is_no_edge():
    view, film, valid, share = drawn((0.0, 10.0), (0.0, 100.0))
    valid[:30] = False
    film[:30] = False
    share[:30] = 0.0
    edges = find_edges(view, film, valid, share, SCALE, 0.06)
    assert edges is not None
    assert not edges[0].against_gate
    assert edges[0].at(200) == pytest.approx(29.5)


def test_no_film_has_no_edges():
    view, film, valid, share = drawn((0.0, 10.0), (0.0, 100.0))
    assert find_edges(view, np.zeros_like(film), valid, share, SCALE, 0.06) is None


@given(st.integers(2, 30), st.integers(0, 99))
def test_the_line_through_points_is_that_of_numpy(count, seed):
    rng = np.random.default_rng(seed)
    x, y = np.cumsum(rng.random(count) + 0.1) - 500.0, rng.normal(size=count) + 300.0
    assert least_squares_line(x, y) == pytest.approx(np.polyfit(x, y, 1), rel=1e-6, abs=1e-7)
