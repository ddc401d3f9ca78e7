"""Numbers of pictures over readings made by hand, and their laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.edge.chain import EdgeCode
from pipeline.edge.numbers import number_frames, number_steps, picture_phase
from pipeline.edge.reading import EdgeReading


# Numbers: readings made by hand, 10 px a mm, code 0 at column `zero_px`.
def reading_with(zero_px=0.0, sign=1.0):
    code = EdgeCode("115-10/0", 0.0, zero_px, 10.0)
    slope = sign / 38.0
    return EdgeReading((code,), 1, sign < 0.0, slope, -slope * zero_px / 10.0, 10.0, None)


def columns(*frames, after=0.1):
    """Columns of pictures that lie `after` frames behind the codes that name them."""
    return [(frame + after) * 380.0 for frame in frames]


def test_numbers_are_those_the_pictures_lie_over():
    assert number_frames(reading_with(), columns(6, 7, 8, 9), 1.0) == ("06", "07", "08", "09")
    assert number_frames(reading_with(), columns(23), 1.0) == ("23",)


def test_numbers_start_before_zero():
    assert number_frames(reading_with(), columns(-2, -1, 0, 1), 1.0) == ("X", "00", "0", "01")


def test_off_the_film_there_are_no_numbers():
    assert number_frames(reading_with(), columns(-3, -2), 1.0) == (None, "X")
    assert number_frames(reading_with(), columns(61, 62), 1.0) == ("61", None)


def test_order_of_the_pictures_does_not_matter():
    assert number_frames(reading_with(), columns(9, 6, 8), 1.0) == ("09", "06", "08")
    assert number_frames(reading_with(), [], 1.0) == ()


def test_on_turned_strips_numbers_grow_to_the_left():
    reading = reading_with(zero_px=5000.0, sign=-1.0)
    centres = [5000.0 - column for column in columns(1, 2, 3)]
    assert number_frames(reading, centres, 1.0) == ("01", "02", "03")


def test_a_blank_that_was_not_found_leaves_its_number_out():
    assert number_frames(reading_with(), columns(6, 7, 9, 10), 1.0) == ("06", "07", "09", "10")


def test_overlaps_and_wide_gaps_do_not_break_the_count():
    assert number_frames(reading_with(), columns(6, 6.7, 7.7, 8.7), 1.0) == ("06", "07", "08", "09")
    assert number_frames(reading_with(), columns(6, 7.4, 8.4, 9.4), 1.0) == ("06", "07", "08", "09")


@given(
    st.floats(-0.24, 0.74),
    st.integers(0, 30),
    # Pictures of 36 mm every 38 mm can't be closer than 0.95 of a frame without overlap.
    st.lists(st.floats(-0.02, 0.02), min_size=2, max_size=7),
)
def test_pictures_that_follow_each_other_count_on(after, first, jitter):
    places = [first + k + shift for k, shift in enumerate(jitter)]
    numbers = [int(n) for n in number_frames(reading_with(), columns(*places, after=after), 1.0)]
    assert np.all(np.diff(numbers) == 1)
    assert abs(numbers[0] - first) <= (1 if min(after + 0.25, 0.75 - after) < 0.05 else 0)


def test_half_frames_count_in_halves():
    numbers = number_frames(reading_with(), columns(22.5, 23, 23.5, 24, 24.5, after=0.0), 0.5)
    assert numbers == ("22A", "23", "23A", "24", "24A")
    alone = number_frames(reading_with(), columns(23.5, after=0.05), 0.5)
    assert alone == ("23A",)


def test_other_formats_get_the_nearest_number_once_each():
    # 24 mm pictures every 26 mm; 65 mm panoramas every 67 mm.
    places = columns(*(26.0 / 38.0 * k for k in range(7)), after=0)
    square = number_frames(reading_with(), places, 0.5)
    assert square == ("0", "0A", "01A", "02", "02A", "03A", "04")
    places = columns(*(67 / 38.0 * k for k in range(4)), after=0)
    panorama = number_frames(reading_with(), places, 0.5)
    assert panorama == ("0", "02", "03A", "05A")


def test_a_phase_of_the_roll_keeps_strips_in_step():
    one, other = columns(6, 7, 8, after=0.72), columns(9, 10, 11, after=0.78)
    assert number_frames(reading_with(), one, 1.0) == ("06", "07", "08")
    assert number_frames(reading_with(), other, 1.0) == ("10", "11", "12")
    phase = picture_phase(reading_with(), one, 1.0)
    assert phase == pytest.approx(0.72)
    assert picture_phase(reading_with(), other, 1.0) == pytest.approx(-0.22)
    assert number_steps(reading_with(), other, 1.0, phase) == (9, 10, 11)
    square = columns(*(26.0 / 38.0 * k for k in range(5)))
    assert picture_phase(reading_with(), square, 0.5) is None


def test_centres_must_be_finite():
    with pytest.raises(ValueError, match="finite"):
        number_frames(reading_with(), [100.0, np.nan], 1.0)
