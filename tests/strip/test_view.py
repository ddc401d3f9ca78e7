"""Straightened views against geometry worked out by hand."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.strip.view import FilmMap, straighten, view_by

Corners = tuple[tuple[float, float], ...]


def outline(centre: tuple[float, float], size: tuple[float, float], angle_deg: float) -> Corners:
    """Return a rectangle's corners, turned clockwise as displayed (y down)."""
    turn = math.radians(angle_deg)
    along = np.array([math.cos(turn), math.sin(turn)]) * size[0] / 2
    across = np.array([-math.sin(turn), math.cos(turn)]) * size[1] / 2
    corners = (-along - across, along - across, along + across, -along + across)
    return tuple((centre[0] + x, centre[1] + y) for x, y in corners)


def ramp(height: int = 120, width: int = 160) -> np.ndarray:
    """Return a picture whose channels hold x, y and their sum."""
    y, x = np.mgrid[:height, :width].astype(np.float32)
    return np.stack([x, y, x + y], axis=2)


@given(angle_deg=st.floats(-5, 5), x=st.floats(70, 90), y=st.floats(50, 70))
def test_every_pixel_of_a_view_shows_its_place_in_the_proxy(angle_deg, x, y):
    corners = outline((x, y), (80, 40), angle_deg)
    view = straighten(ramp(), corners, 6.0)
    assert view.light.shape == (41, 81, 3)
    assert view.px_per_mm == 6.0
    pixels = np.array([(0, 0), (80, 0), (80, 40), (0, 40), (33, 17)])
    places = view.to_proxy.onto(pixels)
    assert places[:4] == pytest.approx(np.array(corners), abs=1e-6)
    # A ramp is its own coordinate; cubic convolution keeps straight lines (Keys 1981, from
    # memory), cv2 rounds places to 1/32 pixel.
    shown = view.light[pixels[:, 1], pixels[:, 0], :2]
    assert shown == pytest.approx(places, abs=0.05)


def test_a_level_outline_is_a_plain_crop():
    light = np.random.default_rng(1).random((40, 60, 3), np.float32)
    view = straighten(light, ((5.0, 8.0), (44.0, 8.0), (44.0, 27.0), (5.0, 27.0)), 4.0)
    assert view.light == pytest.approx(light[8:28, 5:45], abs=1e-6)


def test_an_upright_strip_lies_with_its_long_side_level():
    light = np.random.default_rng(2).random((60, 40, 3), np.float32)
    # The strip's left end is the scan's top: corner, along the film, across the film.
    view = straighten(light, ((29.0, 4.0), (29.0, 53.0), (10.0, 53.0), (10.0, 4.0)), 4.0)
    assert view.light == pytest.approx(np.rot90(light[4:54, 10:30]), abs=1e-6)


def test_outside_the_proxy_its_border_goes_on():
    light = np.full((20, 30, 3), 0.25, np.float32)
    view = straighten(light, ((-5.0, -5.0), (35.0, -5.0), (35.0, 25.0), (-5.0, 25.0)), 4.0)
    assert view.light == pytest.approx(np.full((31, 41, 3), 0.25), abs=1e-6)


def test_a_view_has_at_least_two_pixels_a_side():
    view = straighten(ramp(), ((5.0, 5.0),) * 4, 4.0)
    assert view.light.shape == (2, 2, 3)


def test_the_scan_is_not_changed():
    light = ramp()
    before = light.copy()
    straighten(light, outline((80, 60), (60, 30), 2.0), 6.0)
    assert np.array_equal(light, before)


bent = st.builds(
    FilmMap,
    matrix=st.tuples(
        st.tuples(st.floats(0.95, 1.05), st.floats(-0.1, 0.1), st.floats(-50, 50)),
        st.tuples(st.floats(-0.1, 0.1), st.floats(0.95, 1.05), st.floats(-50, 50)),
        st.tuples(st.floats(-5e-5, 5e-5), st.floats(-5e-5, 5e-5), st.just(1.0)),
    ),
    bow=st.tuples(st.floats(-20, 20), st.floats(-5, 5), st.floats(-5, 5)),
    middle=st.just(800.0),
    half=st.just(800.0),
    radial=st.floats(-0.05, 0.05),
    centre=st.just((780.0, 600.0)),
    radius=st.just(1000.0),
)
PLACES = np.array([[0.0, 0.0], [1600.0, 0.0], [1600.0, 280.0], [0.0, 280.0], [700.0, 111.0]])


@given(bent)
def test_the_way_back_is_the_way_back(way):
    assert way.back(way.onto(PLACES)) == pytest.approx(PLACES, abs=1e-6)


@given(bent)
def test_parts_enlargements_and_quarter_turns_show_the_same_places(way):
    there = way.onto(PLACES)
    assert way.moved(30.0, -7.0).onto(PLACES - (30.0, -7.0)) == pytest.approx(there, abs=1e-6)
    assert way.enlarged(3.0).onto(3.0 * PLACES) == pytest.approx(there, abs=1e-6)
    stood = way.then(np.array([[0.0, -1.0, 1199.0], [1.0, 0.0, 0.0]])).onto(PLACES)
    told = np.column_stack([1199.0 - there[:, 1], there[:, 0]])
    assert stood == pytest.approx(told, abs=1e-6)


def test_a_bent_view_shows_the_places_of_its_map():
    way = FilmMap(
        ((1.0, 0.02, 20.0), (-0.01, 1.0, 30.0), (1e-4, 2e-4, 1.0)), (3.0, 1.0, -0.5), 50.0, 50.0
    )
    view = view_by(ramp(), way, (40, 101), 6.0)
    pixels = np.array([(0, 0), (100, 0), (100, 39), (0, 39), (33, 17)])
    shown = view.light[pixels[:, 1], pixels[:, 0], :2]
    assert shown == pytest.approx(way.onto(pixels), abs=0.05)


@given(bent)
def test_all_pixels_of_a_bent_view_lie_where_its_map_says(way):
    x, y = way.places((281, 1601))
    columns, rows = PLACES.T.astype(int)
    told = np.column_stack([x[rows, columns], y[rows, columns]])
    assert told == pytest.approx(way.onto(PLACES), abs=1e-3)
