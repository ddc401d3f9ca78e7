"""Light beside the pictures, on rebates made up and on strips of the film model."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.film_format import formats_on
from pipeline.light_leak import find_leak
from pipeline.settings import Settings
from pipeline.survey import survey_scan
from tests.film_model import FrameSpec, LightLeak, Roll, StripSpec, make_scan, write_scan

FILM = formats_on("135")[0].film
PX_PER_MM = 8.0
ROWS = (8.0, 8.0 + FILM.width_mm * PX_PER_MM)


def view(length_mm: float = 120.0) -> np.ndarray:
    """Return a strip of bare film with pictures, density above base."""
    above = np.zeros((round(ROWS[1]) + 8, round(length_mm * PX_PER_MM), 3), np.float32)
    top = round(ROWS[0] + (FILM.width_mm - FILM.image_across_mm) / 2 * PX_PER_MM)
    above[top : top + round(FILM.image_across_mm * PX_PER_MM)] = 0.8
    return above


def leaked(above: np.ndarray, at_mm: float, width_mm: float, density: float) -> np.ndarray:
    columns = slice(round(at_mm * PX_PER_MM), round((at_mm + width_mm) * PX_PER_MM))
    above = above.copy()
    above[: above.shape[0] // 2, columns] += density
    return above


def test_bare_rebates_have_no_leak():
    assert find_leak(view(), ROWS, FILM, PX_PER_MM) is None


@given(st.floats(10.0, 80.0), st.floats(12.0, 25.0), st.floats(0.15, 1.5))
def test_fog_on_a_rebate_is_measured(at_mm, width_mm, density):
    found = find_leak(leaked(view(), at_mm, width_mm, density), ROWS, FILM, PX_PER_MM)
    assert found is not None
    assert found.length_mm == pytest.approx(width_mm, abs=8.0)
    assert found.density == pytest.approx((density,) * 3, abs=0.05 + 0.1 * density)


def test_print_and_short_marks_are_no_leak():
    above = view()
    # Bars of a code cover less than half of a rebate.
    for start in range(80, above.shape[1] - 80, 12):
        above[round(ROWS[0]) + 4 : round(ROWS[0]) + 16, start : start + 4] = 0.9
    assert find_leak(above, ROWS, FILM, PX_PER_MM) is None
    assert find_leak(leaked(view(), 50.0, 2.0, 0.5), ROWS, FILM, PX_PER_MM) is None


def test_film_struck_from_edge_to_edge_is_no_leak():
    above = view()
    above[:, : 30 * 8] = 2.0
    assert find_leak(above, ROWS, FILM, PX_PER_MM) is None


def test_hidden_rebates_tell_nothing():
    above = leaked(view(), 40.0, 20.0, 0.5)
    inside = above[60:230]
    rows = (ROWS[0] - 60, ROWS[1] - 60)
    assert find_leak(inside, rows, FILM, PX_PER_MM) is None


@pytest.mark.parametrize("stops", [None, 0.0, 3.0])
def test_leaks_on_scans(tmp_path: Path, stops: float | None):
    leaks = () if stops is None else (LightLeak(at_mm=76.0, width_mm=8.0, stops=stops),)
    roll = Roll("film-a", (FrameSpec("coffee"), FrameSpec("temple"), FrameSpec("cat")), seed=3)
    scan = make_scan([StripSpec(replace(roll, leaks=leaks), 0, 3)], ppi=180.0)
    (strip,) = survey_scan(Path(write_scan(tmp_path, "s", scan)), Settings()).strips
    assert (strip.leak is not None) == bool(leaks)
