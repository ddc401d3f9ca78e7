"""Light-struck film and light leaks against the film model's own, and on rebates made up."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.profile.format import film_sizes
from pipeline.settings.settings import Settings
from pipeline.strip.light_struck import StripDensity, find_leak, struck_density
from pipeline.survey.scan import survey_scan
from tests.film_model import (
    FrameSpec,
    LightLeak,
    Process,
    Roll,
    StripSpec,
    load_film,
    load_scanner,
    make_scan,
    write_scan,
)
from tests.film_model.dyes import spectral_density
from tests.film_model.exposure import LIGHT_STRUCK

FILM = film_sizes()["135"]

PX_PER_MM = 8.0
ROWS = (8.0, 8.0 + FILM.width_mm * PX_PER_MM)


def surveyed(folder, roll, scanner="scanner-a", ppi=150):
    scan = make_scan([StripSpec(roll, count=len(roll.frames))], scanner=scanner, ppi=ppi, seed=2)
    return survey_scan(write_scan(folder, "s", scan), Settings()).strips[0], scan.truth["strips"][0]


def true_d_max(roll, scanner, truth):
    """Return what the model's scanner sees, free of noise, of film that got all that light."""
    film, device = load_film(roll.film), load_scanner(scanner)
    dye = film.develop(np.full(3, LIGHT_STRUCK), roll.process)
    return device.density(spectral_density(film, roll.process, dye)) - truth["base_density"]


@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-c"])
@pytest.mark.parametrize("contrast", [1.0, 0.7])
def test_a_struck_leader_has_the_films_highest_density(tmp_path, scanner, contrast):
    roll = Roll(
        "film-b", (FrameSpec("harbour"), FrameSpec("boats")), leader_mm=25, light_struck_mm=18,
        process=Process(contrast=(contrast,) * 3), seed=3,
    )  # fmt: skip
    strip, truth = surveyed(tmp_path, roll, scanner)
    expected = true_d_max(roll, scanner, truth)
    assert np.array(strip.d_max) == pytest.approx(expected, abs=0.1)
    assert (
        np.abs(np.array(strip.d_max) - expected) < 3.0 * np.array(strip.d_max_error) + 0.01
    ).all()


def test_a_fogged_frame_has_it_too(tmp_path):
    frames = (FrameSpec("harbour"), FrameSpec("sea", kind="fogged"), FrameSpec("boats"))
    roll = Roll("film-c", frames, seed=5)
    strip, truth = surveyed(tmp_path, roll, "scanner-c")
    assert np.array(strip.d_max) == pytest.approx(true_d_max(roll, "scanner-c", truth), abs=0.1)


def test_pictures_and_leaks_are_no_struck_film(tmp_path):
    frames = (FrameSpec("sea", 3.0), FrameSpec("harbour", 3.0))
    leak = LightLeak(at_mm=30.0, stops=5.0)
    strip, _ = surveyed(tmp_path, Roll("film-a", frames, leaks=(leak,), seed=1))
    assert (strip.d_max, strip.d_max_error) == (None, None)


def view(level, columns, px_per_mm=8.0):
    """Return bare film 60 mm long that is dense over some columns, from edge to edge."""
    rng = np.random.default_rng(3)
    above = rng.normal(0.0, 0.01, (280, 480, 3)).astype(np.float32)
    above[:, columns] += np.asarray(level, np.float32)
    return above


def test_an_even_block_is_measured_and_a_fading_one_is_not():
    rows = (0.0, 279.8)
    found = struck_density(StripDensity(view((1.8, 2.0, 2.2), slice(40, 120)), rows, FILM, 8.0))
    assert found is not None
    assert found.density == pytest.approx([1.8, 2.0, 2.2], abs=0.01)
    assert found.length_mm == pytest.approx(10.0, abs=0.7)
    fading = np.linspace(0.0, 2.5, 480, dtype=np.float32)[:, None].repeat(3, axis=1)
    assert struck_density(StripDensity(view(fading, slice(0, 480)), rows, FILM, 8.0)) is None
    assert struck_density(StripDensity(view((0.5,) * 3, slice(40, 120)), rows, FILM, 8.0)) is None
    assert struck_density(StripDensity(view((2.0,) * 3, slice(40, 50)), rows, FILM, 8.0)) is None


def test_film_of_two_densities_far_apart_has_no_end_in_between():
    above = view(2.0, slice(None))
    # So little is denser that the upper end lies between the two.
    above[:, -5:] = 3.9
    strip = StripDensity(above, (0, above.shape[0]), film_sizes()["135"], 8.0)
    assert struck_density(strip) is None


def test_where_the_rebates_are_hidden_nothing_is_said():
    dense = view((2.0,) * 3, slice(40, 120))
    assert struck_density(StripDensity(dense, (-40.0, 320.0), FILM, 8.0)) is None


def bare_view(length_mm: float = 120.0) -> np.ndarray:
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
    assert find_leak(StripDensity(bare_view(), ROWS, FILM, PX_PER_MM)) is None


@given(st.floats(10.0, 80.0), st.floats(12.0, 25.0), st.floats(0.15, 1.5))
def test_fog_on_a_rebate_is_measured(at_mm, width_mm, density):
    found = find_leak(
        StripDensity(leaked(bare_view(), at_mm, width_mm, density), ROWS, FILM, PX_PER_MM)
    )
    assert found is not None
    assert found.length_mm == pytest.approx(width_mm, abs=8.0)
    assert found.density == pytest.approx((density,) * 3, abs=0.05 + 0.1 * density)


def test_print_and_short_marks_are_no_leak():
    above = bare_view()
    # Bars of a code cover less than half of a rebate.
    for start in range(80, above.shape[1] - 80, 12):
        above[round(ROWS[0]) + 4 : round(ROWS[0]) + 16, start : start + 4] = 0.9
    assert find_leak(StripDensity(above, ROWS, FILM, PX_PER_MM)) is None
    assert (
        find_leak(StripDensity(leaked(bare_view(), 50.0, 2.0, 0.5), ROWS, FILM, PX_PER_MM)) is None
    )


def test_film_struck_from_edge_to_edge_is_no_leak():
    above = bare_view()
    above[:, : 30 * 8] = 2.0
    assert find_leak(StripDensity(above, ROWS, FILM, PX_PER_MM)) is None


def test_hidden_rebates_tell_nothing():
    above = leaked(bare_view(), 40.0, 20.0, 0.5)
    inside = above[60:230]
    rows = (ROWS[0] - 60, ROWS[1] - 60)
    assert find_leak(StripDensity(inside, rows, FILM, PX_PER_MM)) is None


@pytest.mark.parametrize("stops", [None, 0.0, 3.0])
def test_leaks_on_scans(tmp_path: Path, stops: float | None):
    leaks = () if stops is None else (LightLeak(at_mm=76.0, width_mm=8.0, stops=stops),)
    roll = Roll("film-a", (FrameSpec("coffee"), FrameSpec("temple"), FrameSpec("cat")), seed=3)
    scan = make_scan([StripSpec(replace(roll, leaks=leaks), 0, 3)], ppi=180.0)
    (strip,) = survey_scan(Path(write_scan(tmp_path, "s", scan)), Settings()).strips
    assert (strip.leak is not None) == bool(leaks)


def test_edge_print_too_coarse_to_be_told_from_a_leak_is_none():
    """The film of a leak that is told at 150 ppi, at 100: a bar of its print has 1.7 pixels."""
    above = np.zeros((int(35 * 5.9), int(120 * 5.9), 3), np.float32)
    above[: int(4 * 5.9), int(40 * 5.9) : int(60 * 5.9)] = 0.3
    film = FILM
    fine = StripDensity(above, (0.0, above.shape[0] - 1.0), film, 5.9)
    assert find_leak(fine) is not None
    coarse = cv2.resize(above, None, fx=2 / 3, fy=2 / 3, interpolation=cv2.INTER_AREA)
    assert find_leak(StripDensity(coarse, (0.0, len(coarse) - 1.0), film, 5.9 * 2 / 3)) is None
