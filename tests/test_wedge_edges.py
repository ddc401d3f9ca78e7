"""Equally spaced edges along a line."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.wedge_edges import Edges, find_edges


def stairs(count: int, step_px: float, start: float = 10.0, rise: float = 0.09) -> np.ndarray:
    """Return a profile of `count` edges, the first at `start`, blurred over a pixel or so."""
    x = np.arange(round(start + count * step_px + 20))
    places = start + step_px * np.arange(count)
    return (0.5 * rise * (1.0 + np.tanh(x[:, None] - places))).sum(axis=1)


def noisy(profile: np.ndarray, sigma: float = 0.003) -> np.ndarray:
    return profile + np.random.default_rng(1).normal(0.0, sigma, len(profile))


@pytest.mark.parametrize("step_px", [6.0, 11.5, 31.0])
@pytest.mark.parametrize("count", [5, 20])
def test_stairs_are_edges_at_their_places(count, step_px):
    edges = find_edges(noisy(stairs(count, step_px)), 4)
    assert edges is not None
    assert edges.rising
    assert edges.places == pytest.approx(10.0 + step_px * np.arange(count), abs=0.6)
    assert edges.step_px == pytest.approx(step_px, abs=0.2)


def test_stairs_that_go_down_are_told():
    edges = find_edges(noisy(stairs(9, 12.0)[::-1]), 4)
    assert edges is not None
    assert not edges.rising
    assert len(edges.places) == 9


def test_thin_lines_between_steps_do_not_matter():
    profile = stairs(9, 20.0)
    for at in range(9):
        profile[round(10 + 20 * at)] = 0.0
    edges = find_edges(profile, 4)
    assert edges is not None
    assert len(edges.places) == 9


def test_places_go_on_beyond_the_edges_and_get_wider_with_the_wedge_s_angle():
    places = np.array([10.0, 20.0, 30.5, 41.5, 53.0, 65.0, 77.5])
    edges = Edges(places, True)
    assert edges.at(np.arange(7)) == pytest.approx(places, abs=1e-6)
    assert edges.at(np.array([7]))[0] == pytest.approx(90.5, abs=0.01)
    assert Edges(np.array([5.0, 15.0]), True).at(np.array([-1, 2])) == pytest.approx([-5, 25])


@pytest.mark.parametrize(
    "profile",
    [
        np.zeros(200),
        np.linspace(0, 2, 200),
        0.5 + 0.4 * np.sin(np.arange(200) / 5),
        np.full(200, np.nan),
        np.cumsum([0.2 if n in (20, 31, 55, 62, 99, 140) else 0.0 for n in range(200)]),
    ],
    ids=["even", "slope", "waves", "nothing", "uneven"],
)
def test_what_is_no_staircase_has_no_edges(profile):
    assert find_edges(profile, 4) is None


def test_a_strong_edge_between_two_ends_the_run():
    profile = stairs(12, 14.0)
    profile[round(10 + 14 * 6.5) :] += 0.3
    edges = find_edges(profile, 4)
    assert edges is not None
    assert len(edges.places) <= 7


@settings(max_examples=20)
@given(
    scale=st.floats(0.5, 3.0),
    offset=st.floats(-1, 2),
    shift=st.integers(0, 40),
    mirror=st.booleans(),
)
def test_places_follow_the_profile_whatever_its_scale(scale, offset, shift, mirror):
    profile = stairs(8, 13.0)
    plain = find_edges(profile, 4)
    moved = np.concatenate([np.full(shift, profile[0]), profile]) * scale + offset
    edges = find_edges(moved[::-1] if mirror else moved, 4)
    assert plain is not None
    assert edges is not None
    assert edges.rising is not mirror
    places = len(moved) - 1 - edges.places[::-1] if mirror else edges.places
    assert places == pytest.approx(plain.places + shift, abs=0.05)
