"""Pieces of film and which way they lie, on masks drawn by hand."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.strip.piece import (
    FilmArea,
    film_areas,
    rough_line,
    runs_upright,
    slant_deg,
    split_abreast,
)

NONE = np.zeros((120, 300), bool)


def strip(mask: np.ndarray, left: int, top: int, width: int, height: int) -> None:
    mask[top : top + height, left : left + width] = True


def test_pieces_come_largest_first_with_their_holes_filled():
    film = NONE.copy()
    strip(film, 10, 10, 120, 35)
    strip(film, 10, 60, 250, 35)
    film[70:80, 50:60] = False
    film[5, 290] = True
    areas = film_areas(film, NONE)
    assert [area.box for area in areas] == [(10, 60, 260, 95), (10, 10, 130, 45)]
    assert areas[0].size == (250, 35)
    assert areas[0].mask.sum() == 250 * 35


def test_a_thread_of_light_round_a_window_is_no_film():
    film, gate = NONE.copy(), NONE.copy()
    strip(film, 10, 10, 280, 100)
    film[13:107, 13:287] = False
    strip(gate, 13, 13, 274, 94)
    strip(film, 40, 40, 220, 38)
    gate &= ~film
    (area,) = film_areas(film, gate)
    assert area.box == (40, 40, 260, 78)
    # The same where film touches the thread.
    film[12:60, 45:48] = True
    (area,) = film_areas(film, gate & ~film)
    assert area.size[0] == pytest.approx(220, abs=4)
    assert area.box[3] == pytest.approx(78, abs=2)


@pytest.mark.parametrize("torn", [False, True])
@pytest.mark.parametrize("turn", [-7.0, 0.0, 90.0])
def test_film_ends_at_light_from_side_to_side_that_a_holders_glow_surrounds(turn, torn):
    film = np.zeros((400, 400), np.uint8)
    film[160:240, 14:386] = 1
    if torn:
        # Noise and what is too thin for film leave the glow a gap.
        film[160:174, 28:32] = film[226:240, 368:372] = 0
    gate = np.zeros_like(film)
    gate[174:226, 28:40] = gate[174:226, 218:221] = gate[174:226, 330:372] = 1
    gate[178:183, 60:64] = gate[195:205, 150:160] = 1
    way = cv2.getRotationMatrix2D((199.5, 199.5), turn, 1.0)
    film, gate = (
        cv2.warpAffine(mask, way, (400, 400), flags=cv2.INTER_NEAREST).astype(bool)
        for mask in (film, gate)
    )
    areas = [area for area in film_areas(film & ~gate, gate) if area.mask.sum() > 4000]
    long, short = areas
    assert long.mask.sum() == pytest.approx(80 * 178, rel=0.03)
    assert short.mask.sum() == pytest.approx(80 * 109, rel=0.03)


def test_light_at_the_end_of_film_beside_longer_film_parts_neither():
    film = NONE.copy()
    strip(film, 10, 10, 150, 38)
    strip(film, 10, 48, 150, 38)
    strip(film, 10, 86, 270, 34)
    (area,) = film_areas(film, ~film)
    assert area.box == (10, 10, 280, 120)
    assert area.mask.sum() == film.sum()


def test_light_from_side_to_side_parts_no_surround_of_film():
    film = np.zeros((400, 500), bool)
    gate = np.zeros_like(film)
    film[20:380, 20:480] = True
    gate[60:340, 60:440] = True
    gate[180:240, 100:400] = False
    (area,) = film_areas(film & ~gate, gate)
    assert area.box == (100, 180, 400, 240)


def test_a_bar_of_the_holder_parts_no_strip_but_open_gate_does():
    film = NONE.copy()
    strip(film, 10, 40, 120, 38)
    strip(film, 140, 40, 120, 38)
    (area,) = film_areas(film, NONE)
    assert area.box == (10, 40, 260, 78)
    assert len(film_areas(film, NONE, join_across_bars=False)) == 2
    assert len(film_areas(film, ~film)) == 2


@pytest.mark.parametrize("turn", [-8.0, 0.0, 5.0])
def test_a_bar_parts_no_strip_that_lies_aslant(turn):
    film = np.zeros((300, 700), np.uint8)
    film[130:170, 50:650] = 1
    for start in (245, 447):
        film[:, start : start + 9] = 0
    turned = cv2.getRotationMatrix2D((350, 150), turn, 1.0)
    film = cv2.warpAffine(film, turned, (700, 300), flags=cv2.INTER_NEAREST).astype(bool)
    (area,) = film_areas(film, np.zeros_like(film))
    assert area.mask.sum() > 0.98 * film.sum()
    below = np.zeros_like(film)
    below[200:240, 50:640] = True
    assert len(film_areas(film | below, np.zeros_like(film))) == 2


@pytest.mark.parametrize(
    ("width", "height", "upright"), [(200, 60, False), (60, 118, None), (40, 110, True)]
)
def test_only_long_pieces_tell_which_way_they_lie(width, height, upright):
    film = NONE.copy()
    strip(film, 10, 1, width, height)
    assert runs_upright(film_areas(film, NONE)) is upright


@given(slope=st.floats(-0.06, 0.06))
def test_rough_line_of_a_skewed_piece(slope):
    corners = [(20, 40 + 20 * slope), (280, 40 + 280 * slope), (280, 85 + 280 * slope),
               (20, 85 + 20 * slope)]  # fmt: skip
    plane = np.zeros((120, 300), np.uint8)
    cv2.fillPoly(plane, [np.rint(np.array(corners) * 16).astype(np.int32)], 1, shift=4)
    (area,) = film_areas(plane.astype(bool), NONE)
    found, above, below = rough_line(area)
    # Drawn edges are true to a pixel at either end of the 260.
    assert found == pytest.approx(slope, abs=2.0 / 260.0)
    assert found * 150 + above == pytest.approx(slope * 150 + 40, abs=1.5)
    assert found * 150 + below == pytest.approx(slope * 150 + 85, abs=1.5)


def test_strips_that_touch_are_split_and_wider_film_is_not():
    film = NONE.copy()
    strip(film, 10, 10, 260, 105)
    (area,) = film_areas(film, NONE)
    parts = split_abreast(area, 35.0)
    assert [part.box for part in parts] == [(10, 10 + 35 * n, 270, 45 + 35 * n) for n in range(3)]
    assert sum(part.mask for part in parts).max() == 1
    # ISO 1007 and ISO 732, from memory: 61.5 mm is not twice 34.975 mm.
    assert split_abreast(area, 105 * 34.975 / 61.5) == [area]
    assert split_abreast(area, 104.0) == [area]


def test_a_table_all_around_a_light_hides_no_film():
    film = np.ones((200, 300), bool)
    film[50:150, 60:240] = False
    film[80:120, 80:220] = True
    assert [area.box for area in film_areas(film, ~film)] == [(80, 80, 220, 120)]


def test_a_dense_sky_in_perforated_film_is_no_hole_in_a_table():
    film, gate = NONE.copy(), NONE.copy()
    strip(film, 20, 20, 260, 80)
    for left in range(25, 270, 12):
        # ISO 1007, from memory: 1.98 x 2.79 mm on 4.75 x 34.98 mm.
        for top in (25, 88):
            strip(gate, left, top, 6, 7)
    # As dark as the holder, over a sixth of the film.
    film[40:60, 30:200] = False
    assert gate.sum() > 0.05 * film.sum()
    (area,) = film_areas(film & ~gate, gate)
    assert area.box == (20, 20, 280, 100)


@pytest.mark.parametrize("turn", [-80.0, -20.0, 3.0, 14.0, 45.0, 71.0])
def test_a_slant_is_that_of_the_smallest_box_around_all_pixels(turn):
    film = np.zeros((400, 400), np.uint8)
    corners = cv2.boxPoints(((200.0, 200.0), (320.0, 60.0), turn)).astype(np.int32)
    cv2.fillPoly(film, [corners], 1)
    # What OpenCV makes of every pixel.
    _, (one, other), angle = cv2.minAreaRect(cv2.findNonZero(film))
    expected = ((angle if one > other else angle + 90.0) + 90.0) % 180.0 - 90.0
    found = slant_deg([FilmArea(film.astype(bool), (0, 0, 400, 400))])
    assert found == (None if min(abs(turn), 90.0 - abs(turn)) < 13.0 else expected)


def test_a_texture_that_goes_for_film_is_not_looked_at_piece_by_piece():
    """A close picture of film fell into 500 pieces, and was looked at for minutes."""
    film = np.zeros((700, 700), bool)
    for row, column in np.ndindex(25, 25):
        strip(film, 28 * column + 5, 28 * row + 5, 18, 14)
    assert len(film_areas(film, ~film)) == 64


def test_long_pieces_that_lie_both_ways_leave_open_which_are_strips():
    # A table seen beside a light box is long, too.
    film = NONE.copy()
    strip(film, 60, 10, 220, 45)
    strip(film, 60, 60, 220, 45)
    assert runs_upright(film_areas(film, NONE)) is False
    strip(film, 0, 0, 40, 120)
    assert runs_upright(film_areas(film, NONE)) is None
