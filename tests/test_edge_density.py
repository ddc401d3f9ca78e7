"""Density of edge print against the film model's truth, and against print drawn for the test."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.edge import read_edge
from pipeline.edge_density import letter_print
from pipeline.settings import Settings
from pipeline.survey import survey_scan
from tests.drawn_edge import PRINT_RATIO, Look, draw_strip, run_of
from tests.film_model import (
    FrameSpec,
    Holder,
    Process,
    Roll,
    StripSpec,
    load_scanner,
    make_scan,
    write_scan,
)

BASE = np.array([0.5, 0.24, 0.12])


def measured(folder, ppi, film="film-a", contrast=1.0, scanner="scanner-a", **changes):
    """Return a strip of the film model as surveyed, and the truth of its edge print."""
    form = changes.pop("form", "135")
    holder = changes.pop("holder", None)
    roll = Roll(
        film, (FrameSpec("harbour"),), form, Process(contrast=(contrast,) * 3), seed=3, **changes
    )
    scan = make_scan([StripSpec(roll, count=1)], scanner=scanner, ppi=ppi, seed=3, holder=holder)
    survey = survey_scan(write_scan(folder, "s", scan), Settings())
    return survey.strips[0], np.array(scan.truth["strips"][0]["edge_print_above_base"])


@pytest.mark.parametrize(
    ("film", "scanner", "contrast"),
    [
        ("film-a", "scanner-a", 1.0),
        ("film-b", "scanner-b", 0.6),
        ("film-d", "scanner-c", 1.2),
        ("film-e", "scanner-d", 0.3),
    ],
)
@pytest.mark.parametrize(("ppi", "within"), [(150, 0.045), (300, 0.02)])
def test_bars_have_the_models_density(tmp_path, film, scanner, contrast, ppi, within):
    strip, truth = measured(tmp_path, ppi, film, contrast, scanner)
    assert strip.print_from == "codes"
    assert np.array(strip.print_density) == pytest.approx(truth, abs=within)
    off = np.abs(np.array(strip.print_density) - truth)
    assert (off < 3.0 * np.array(strip.print_error)).all()


def test_a_soft_scanner_takes_little_off(tmp_path):
    soft = replace(load_scanner("scanner-a"), blur_mm=0.1)
    strip, truth = measured(tmp_path, 300, scanner=soft)
    assert np.array(strip.print_density) == pytest.approx(truth, abs=0.03)
    sharp, _ = measured(tmp_path, 300)
    assert (np.array(strip.print_error) > np.array(sharp.print_error) - 1e-3).all()


def test_without_a_holder_the_error_covers_the_flare_nobody_sees(tmp_path):
    strip, truth = measured(tmp_path, 300, "film-d", scanner="scanner-c", holder=Holder(False))
    off = np.abs(np.array(strip.print_density) - truth)
    assert (off < 2.5 * np.array(strip.print_error)).all()
    assert max(strip.print_error) > 0.02


@pytest.mark.parametrize(("ppi", "within"), [(300, 0.05), (600, 0.025)])
def test_letters_serve_where_film_has_no_codes(tmp_path, ppi, within):
    strip, truth = measured(tmp_path, ppi, "film-d", 0.6, "scanner-b", form="120-6x6")
    assert strip.print_from == "letters"
    assert np.array(strip.print_density) == pytest.approx(truth, abs=within)


@pytest.mark.parametrize("form", ["135", "120-6x6"])
def test_film_without_print_has_no_density_of_it(tmp_path, form):
    strip, _ = measured(tmp_path, 300, form=form, edge_print=False)
    assert (strip.print_density, strip.print_error, strip.print_from) == (None, None, None)


@settings(max_examples=15)
@given(st.floats(0.3, 1.0), st.floats(0.3, 1.2))
def test_density_does_not_change_with_the_scanners_gain(gain, density):
    drawn = draw_strip(run_of("115-10", 22, 3), 60.0, Look(print_density=density, noise=0.001))
    one, other = (
        read_edge(
            drawn.light * np.float32(factor), drawn.px_per_mm, drawn.top_row, drawn.bottom_row
        )
        for factor in (1.0, gain)
    )
    assert one.print_density == pytest.approx(density * np.array(PRINT_RATIO), abs=0.03)
    assert other.print_density == pytest.approx(one.print_density, abs=2e-3)


def lettered(density, px_per_mm, text="70 71A 72", grain=0.002):
    """Return a rebate, 2 mm by 40, with figures about 1.4 mm high drawn as light."""
    fine = 4
    mask = np.zeros((round(2.4 * px_per_mm) * fine, round(40 * px_per_mm) * fine), np.uint8)
    size, (width, height) = 1.4 * px_per_mm * fine, (round(0.25 * px_per_mm * fine), 0)
    height = cv2.getTextSize("0", cv2.FONT_HERSHEY_PLAIN, 1.0, 1)[0][1]
    at = (round(px_per_mm * fine), round(1.9 * px_per_mm * fine))
    cv2.putText(mask, text, at, cv2.FONT_HERSHEY_PLAIN, size / height, 1, width)
    light = BASE * 10.0 ** -(mask[..., None] * density * np.array([0.95, 1.0, 1.05]))
    shape = (mask.shape[1] // fine, mask.shape[0] // fine)
    light = cv2.resize(light, shape, interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(1).normal(0.0, grain, light.shape)
    return (light * (1.0 + noise)).astype(np.float32)


@pytest.mark.parametrize("px_per_mm", [16.0, 24.0])
@pytest.mark.parametrize("density", [0.3, 1.0])
def test_drawn_letters_have_the_density_they_were_drawn_with(px_per_mm, density):
    found = letter_print([lettered(density, px_per_mm)], px_per_mm)
    assert found is not None
    assert (found.how, found.count) == ("letters", 7)
    assert found.density == pytest.approx(density * np.array([0.95, 1.0, 1.05]), abs=0.05)
    assert (found.error >= 0.03).all()


def test_specks_and_bare_film_are_no_letters():
    bare = np.broadcast_to(BASE.astype(np.float32), (48, 900, 3)).copy()
    assert letter_print([bare], 24.0) is None
    rng = np.random.default_rng(4)
    for _ in range(40):
        y, x, size = rng.integers(0, 48), rng.integers(0, 900), rng.integers(1, 9)
        bare[y : y + size, x : x + size] *= rng.uniform(0.05, 0.9)
    assert letter_print([bare], 24.0) is None
    assert letter_print([], 24.0) is None
