"""Edges of pictures, against edges drawn with a known place: steps blurred by an exact kernel."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from pipeline.frame.gate import coherent_steps, find_edge

ROWS, COLUMNS = 150, 60
NOISE = 0.006


def drawn(
    place: float, density: float | np.ndarray = 0.7, tilt: float = 0.0, blur: float = 0.8, seed=1
) -> np.ndarray:
    """Return density of a picture that begins at `place`: light seen through a normal blur."""
    x = np.arange(COLUMNS)
    y = np.arange(ROWS) - (ROWS - 1) / 2
    cover = ndtr((x[None, :] - place - tilt * y[:, None]) / blur)
    noise = np.random.default_rng(seed).normal(0, NOISE, (ROWS, COLUMNS))
    taken = cover * (1.0 - 10.0 ** -np.broadcast_to(density, (ROWS, COLUMNS)))
    return (noise - np.log10(1.0 - taken)).astype(np.float32)


@settings(max_examples=30)
@given(st.floats(22.0, 34.0), st.floats(0.15, 1.5), st.floats(0.4, 0.8), st.floats(-0.01, 0.01))
def test_a_drawn_edge_is_found_to_a_tenth_of_a_pixel(place, density, blur, tilt):
    edge = find_edge(drawn(place, density, tilt, blur), 28.0, 9.0, NOISE)
    assert edge is not None
    assert edge.place == pytest.approx(place, abs=0.1)
    assert edge.tilt == pytest.approx(tilt, abs=0.002)
    assert edge.share > 0.95


def test_a_faint_edge_is_found_by_all_rows_together():
    # A tenth of the noise-to-signal that a single row would need.
    edge = find_edge(drawn(27.3, 0.03), 28.0, 9.0, NOISE)
    assert edge is not None
    assert edge.place == pytest.approx(27.3, abs=0.5)
    assert edge.sigma > find_edge(drawn(27.3, 0.6), 28.0, 9.0, NOISE).sigma


def test_rows_that_begin_dark_do_not_hide_the_edge():
    picture = np.full((ROWS, COLUMNS), 0.8)
    # Two thirds of the rows stay base for another eight pixels: leaves before a bright sky.
    dark = np.arange(ROWS) % 3 > 0
    picture[dark, :36] = 0.0
    edge = find_edge(drawn(28.0, picture), 28.0, 9.0, NOISE)
    assert edge is not None
    # To within a pixel, and told with more doubt than where all rows show it.
    assert edge.place == pytest.approx(28.0, abs=1.0)
    assert edge.share < 0.7


@pytest.mark.parametrize("blur", [0.4, 0.8, 1.2])
def test_few_rows_that_agree_place_the_edge(blur):
    picture = np.full((ROWS, COLUMNS), 0.8)
    picture[np.arange(ROWS) % 3 > 0, :36] = 0.0
    edge = find_edge(drawn(28.0, picture, blur=blur), 28.0, 9.0, NOISE)
    assert edge is not None
    assert edge.place == pytest.approx(28.0, abs=0.2)
    # That they are few still speaks for doubt (by the share), not for another place.
    assert edge.share < 0.4


def test_print_and_dust_outside_are_not_the_edge():
    density = drawn(28.0)
    density[40:60, 2:14] = 1.0
    density[100:103, 18:22] = 1.2
    edge = find_edge(density, 28.0, 9.0, NOISE)
    assert edge is not None
    assert edge.place == pytest.approx(28.0, abs=0.1)


def test_perforations_close_to_the_picture_leave_its_edge_where_it_is():
    density = drawn(28.3)
    # Holes take up 42 % of the length (ISO 1007), here two pixels from the picture.
    density[np.arange(ROWS) % 24 < 10, :26] = -0.5
    edge = find_edge(density, 28.0, 9.0, NOISE)
    assert edge is not None
    assert edge.place == pytest.approx(28.3, abs=0.15)


def test_clear_film_has_no_edge():
    assert find_edge(drawn(500.0), 28.0, 9.0, NOISE) is None


@pytest.mark.parametrize("near", [0.0, 58.0])
def test_no_edge_where_too_little_is_in_view(near):
    found = find_edge(drawn(500.0), near, 3.0, NOISE)
    assert found is None


def test_a_step_on_fogged_film_is_found_with_more_doubt():
    fogged = find_edge(drawn(28.4) + np.float32(0.3), 28.0, 6.0, NOISE)
    clear = find_edge(drawn(28.4), 28.0, 6.0, NOISE)
    assert fogged is not None
    assert fogged.place == pytest.approx(28.4, abs=0.3)
    assert fogged.sigma > clear.sigma


@settings(max_examples=20)
@given(st.integers(-5, 5))
def test_moving_the_picture_moves_the_edge(shift):
    density = drawn(27.6)
    moved = find_edge(np.roll(density, shift, axis=1), 28.0 + shift, 6.0, NOISE)
    still = find_edge(density, 28.0, 6.0, NOISE)
    assert moved is not None
    assert still is not None
    assert moved.place - shift == pytest.approx(still.place, abs=1e-3)


def test_fewer_rows_speak_for_an_edge_where_no_base_lies_outside():
    picture = np.full((ROWS, COLUMNS), 0.7)
    picture[::2] = 0.0
    clear = find_edge(drawn(28.4, picture), 28.0, 6.0, NOISE)
    fogged = find_edge(drawn(28.4, picture) + np.float32(0.3), 28.0, 6.0, NOISE)
    assert clear is not None
    assert fogged is not None
    assert clear.share == pytest.approx(0.5, abs=0.02)
    # An upright line of a scene steps up in as many rows.
    assert fogged.share < 0.4


def test_steps_agree_where_all_rows_do():
    steps = coherent_steps(drawn(27.5, blur=0.3), NOISE)
    assert len(steps) == COLUMNS + 1
    assert steps[28] == pytest.approx(steps.max(), abs=0.01)
    assert steps.max() == pytest.approx(1.0, abs=0.02)
    assert np.abs(steps[:20]).max() < 0.2
    falling = coherent_steps(drawn(27.5, blur=0.3)[:, ::-1], NOISE)
    assert falling == pytest.approx(-steps[::-1], abs=1e-6)


def test_steps_of_half_the_rows_count_half():
    picture = np.full((ROWS, COLUMNS), 0.5)
    picture[::2] = 0.0
    steps = coherent_steps(drawn(27.5, picture, blur=0.3), NOISE)
    assert steps.max() == pytest.approx(0.5, abs=0.1)


def test_too_narrow_a_view_has_no_steps():
    assert np.all(coherent_steps(np.ones((5, 3), np.float32), NOISE) == 0.0)


def test_the_density_is_left_alone():
    density = drawn(28.0)
    before = density.copy()
    find_edge(density, 28.0, 9.0, NOISE)
    assert np.array_equal(density, before)


@pytest.mark.parametrize("tilt", [-0.04, -0.025, 0.025, 0.04])
def test_a_steeply_turned_edge_is_followed(tilt):
    # Over its rows the edge moves by 4 to 6 pixels: film photographed from aside.
    edge = find_edge(drawn(28.3, 0.7, tilt), 28.0, 9.0, NOISE)
    assert edge is not None
    assert edge.place == pytest.approx(28.3, abs=0.2)
    assert edge.tilt == pytest.approx(tilt, abs=0.002)


@pytest.mark.parametrize("base_off", [0.004, 0.01])
def test_base_taken_a_little_too_thin_does_not_make_the_film_s_end_an_edge(base_off):
    # Film is cut a millimetre before its picture begins; the scanner sees half of the open gate.
    density = drawn(7.0)[:, :40] + np.float32(base_off)
    density[:, 0] = -0.2
    edge = find_edge(density, 6.0, 9.0, 0.005)
    assert edge is not None
    assert edge.place == pytest.approx(7.0, abs=0.15)


@pytest.mark.parametrize("rows", [5, 9, 14])
def test_few_rows_in_all_are_no_fault(rows):
    # Of a sliver between two holders, half of the rows show the picture, each from elsewhere on.
    for seed in range(12):
        rng = np.random.default_rng(seed)
        density = rng.normal(0, 0.005, (rows, 60)).astype(np.float32)
        for row in range(rows // 2):
            density[row, int(rng.integers(27, 31)) :] += rng.uniform(0.1, 0.5)
        edge = find_edge(density, 29.0, 8.0, 0.005)
        assert edge is None or abs(edge.place - 29.0) < 8.0
