"""Where strips lie along the film: made-up readings at 38 mm a frame (ISO 1007)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.numbering.numbers import film_code, film_span, frame_places, length_frames
from tests.survey.surveyed import frame, placed_strip, strip


@given(st.floats(-2.0, 36.0), st.integers(1, 7), st.booleans())
def test_spans_and_places_are_those_of_the_edge(start, count, turned):
    placed = placed_strip(start, count, turned=turned, after=0.3)
    assert film_span(placed) == pytest.approx((start, start + count))
    assert length_frames(placed) == pytest.approx(count)
    assert frame_places(placed) == pytest.approx([start + 0.3 + k for k in range(count)])
    assert film_code(placed) == "115-10"


def test_a_finer_scan_of_the_strip_lies_at_the_same_place():
    coarse = placed_strip(5.0)
    # Twice the resolution: outline in scan pixels twice as long, view as before.
    fine = placed_strip(5.0, ppi=50.8, outline=tuple((2 * x, 2 * y) for x, y in coarse.outline))
    assert film_span(fine) == pytest.approx(film_span(coarse))


@pytest.mark.parametrize("silent", [strip([frame()]), placed_strip(None)])
def test_without_numbers_there_are_no_places(silent):
    assert film_span(silent) is None
    assert frame_places(silent) is None
    assert film_code(silent) in (None, "115-10")


def test_the_film_is_told_without_numbers_too():
    assert film_code(placed_strip(None, film="31-7")) == "31-7"
    assert film_code(strip([frame()])) is None
