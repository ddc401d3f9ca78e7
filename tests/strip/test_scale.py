"""Scale and kind of film: sizes of ISO 1007 and 732 (from memory)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.strip.scale import film_scale

PITCH_MM = 4.75
NARROW_MM, WIDE_MM = 34.975, 61.5


@given(scale=st.floats(2.0, 60.0), off=st.floats(-0.009, 0.009), length_mm=st.floats(20, 230))
def test_a_tag_that_perforations_bear_out_is_kept(scale, off, length_mm):
    told = scale * (1 + off)
    found = film_scale(told, "tag", NARROW_MM * scale, length_mm * scale, True, PITCH_MM * scale)
    assert found is not None
    assert (found.px_per_mm, found.scale_from, found.film.name) == (told, "tag", "135")


@pytest.mark.parametrize("wrong", [0.2, 0.8, 0.985, 1.03, 4.2])
@pytest.mark.parametrize("width_mm", [NARROW_MM, 27.0])
def test_perforations_belie_a_tag(wrong, width_mm):
    scale = 11.81
    found = film_scale(wrong * scale, "tag", width_mm * scale, 900.0, False, PITCH_MM * scale)
    assert found is not None
    assert found.scale_from == "perforations"
    assert found.px_per_mm == pytest.approx(scale)
    assert found.film.name == "135"


@pytest.mark.parametrize(
    ("width_mm", "both_edges", "name"),
    [
        (WIDE_MM, True, "120"),
        (57.0, False, "120"),
        (24.6, False, "135"),
        (NARROW_MM, True, "135"),
        # A holder covers 1.5 mm of pictures on either side.
        (56.0 - 3.0, False, "120"),
        (24.0 - 3.0, False, "135"),
    ],
)
def test_the_width_tells_the_kind_of_film_where_the_scale_is_told(width_mm, both_edges, name):
    found = film_scale(8.0, "tag", width_mm * 8.0, 100 * 8.0, both_edges, None)
    assert found is not None
    assert (found.px_per_mm, found.scale_from, found.film.name) == (8.0, "tag", name)


def test_film_with_both_edges_and_no_holes_is_120():
    for told in (None, 2.83):
        found = film_scale(told, "tag", WIDE_MM * 9.0, 300 * 9.0, True, None)
        assert found is not None
        assert (found.scale_from, found.film.name) == ("guess", "120")
        assert found.px_per_mm == pytest.approx(9.0)


def test_a_long_strip_with_hidden_edges_is_a_guess_at_135():
    # A holder that hides the perforations leaves the 24 mm of the picture and little more.
    found = film_scale(None, "tag", 25.0 * 9.0, 190 * 9.0, False, None)
    assert found is not None
    assert (found.scale_from, found.film.name) == ("guess", "135")
    assert found.px_per_mm == pytest.approx(9.0, rel=0.05)


def test_what_the_user_tells_is_kept_or_fits_no_film():
    kept = film_scale(10.2, "option", NARROW_MM * 10, 2000.0, True, PITCH_MM * 10)
    assert kept is not None
    assert (kept.px_per_mm, kept.scale_from) == (10.2, "option")
    assert film_scale(30.0, "option", NARROW_MM * 10, 2000.0, True, PITCH_MM * 10) is None
