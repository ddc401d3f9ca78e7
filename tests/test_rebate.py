"""Cutting the rebate out of a strip: geometry, base, weights, bad input."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.edge_code import load_edge_format
from pipeline.rebate import SAMPLES_PER_MM, cut_rebate
from tests.drawn_edge import BASE, Look, draw_strip, run_of

LAYOUT = load_edge_format()


def bare(px_per_mm=12.0, **look):
    return draw_strip([], 40.0, Look(px_per_mm=px_per_mm, numerals=False, **look))


@pytest.mark.parametrize("px_per_mm", [5.0, 12.0, 31.5])
def test_base_and_scale_are_those_of_the_strip(px_per_mm):
    strip = bare(px_per_mm)
    rebate = cut_rebate(strip.light, px_per_mm, strip.bottom_row, True, LAYOUT)
    assert rebate.base == pytest.approx(BASE, rel=0.01)
    height, width = rebate.absorptance.shape
    assert width == pytest.approx(40.0 * SAMPLES_PER_MM, abs=3)
    assert height * rebate.y_px_per_sample == pytest.approx(rebate.rows[1] - rebate.rows[0])
    middle = rebate.absorptance[int((rebate.edge_mm - 1.0) * SAMPLES_PER_MM)]
    assert np.abs(middle).mean() < 0.02


def test_upper_rebate_is_flipped_so_that_the_edge_lies_below():
    strip = bare(noise=0.0)
    lower = cut_rebate(strip.light, 12.0, strip.bottom_row, True, LAYOUT)
    height = strip.light.shape[0]
    flipped = np.ascontiguousarray(strip.light[::-1])
    upper = cut_rebate(flipped, 12.0, height - 1 - strip.bottom_row, False, LAYOUT)
    assert upper.absorptance == pytest.approx(lower.absorptance, abs=1e-5)
    assert upper.edge_mm == pytest.approx(lower.edge_mm)
    for row in (0.0, 11.0):
        assert upper.strip_y(row) == pytest.approx(height - 1 - lower.strip_y(row))


@settings(max_examples=25)
@given(st.sampled_from([6.0, 8.0, 12.0, 23.0]), st.booleans(), st.floats(3.0, 36.0))
def test_a_spot_is_found_where_it_lies_on_the_strip(px_per_mm, on_bottom, x_mm):
    strip = bare(px_per_mm)
    light = strip.light.copy()
    edge = strip.bottom_row if on_bottom else strip.top_row
    y = round(edge + (-1.0 if on_bottom else 1.0) * px_per_mm)
    x = round(strip.column(x_mm))
    reach = max(1, round(0.1 * px_per_mm))
    light[y - reach : y + reach + 1, x - reach : x + reach + 1] = 0.0
    rebate = cut_rebate(light, px_per_mm, edge, on_bottom, LAYOUT)
    body = rebate.absorptance[: int((rebate.edge_mm - 0.2) * SAMPLES_PER_MM)]
    rows, columns = np.nonzero(body > 0.8)
    assert rebate.strip_x(columns.mean()) == pytest.approx(x, abs=0.15 * px_per_mm)
    assert rebate.strip_y(rows.mean()) == pytest.approx(y, abs=0.15 * px_per_mm)


def test_print_absorbs_what_its_density_says():
    # Density is -log10 of transmittance (IEC Electropedia): D 0.8 absorbs 1 - 10^-0.8.
    look = Look(print_density=0.8, noise=0.0, numerals=False)
    strip = draw_strip(run_of("115-10", 22, 2), 45.0, look)
    rebate = cut_rebate(strip.light, 12.0, strip.bottom_row, True, LAYOUT)
    row = rebate.absorptance[round((rebate.edge_mm - 1.2) * SAMPLES_PER_MM)]
    bar = row[int(3.6 * SAMPLES_PER_MM) : int(4.6 * SAMPLES_PER_MM)]
    assert bar == pytest.approx(1.0 - 10.0**-0.8, abs=0.03)


def test_the_quieter_channel_counts_for_more():
    strip = draw_strip(run_of("115-10", 22, 2), 45.0, Look(noise=0.0))
    rng = np.random.default_rng(3)
    light = strip.light.copy()
    light[..., 2] += rng.normal(0.0, 0.05, light.shape[:2]).astype(np.float32)
    rebate = cut_rebate(light, 12.0, strip.bottom_row, True, LAYOUT)
    # A plain mean of the channels would have a third of 0.05 / 0.12.
    row = rebate.absorptance[round((rebate.edge_mm - 0.1) * SAMPLES_PER_MM), 10:-10]
    assert np.std(row) < 0.1 * 0.05 / BASE[2]


def test_a_hidden_rebate_is_none():
    strip = bare()
    cut = strip.light[: int(strip.bottom_row - 1.3 * 12.0)]
    assert cut_rebate(cut, 12.0, strip.bottom_row, True, LAYOUT) is None
    far = strip.bottom_row + 900.0
    assert cut_rebate(strip.light, 12.0, far, True, LAYOUT) is None


def test_without_light_there_is_no_base():
    assert cut_rebate(np.zeros((440, 400, 3), np.float32), 12.0, 430.0, True, LAYOUT) is None


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_light_must_be_finite(bad):
    strip = bare()
    light = strip.light.copy()
    light[-20, 100, 1] = bad
    with pytest.raises(ValueError, match="light must be finite"):
        cut_rebate(light, 12.0, strip.bottom_row, True, LAYOUT)


def test_input_is_left_alone():
    strip = bare()
    before = strip.light.copy()
    cut_rebate(strip.light, 12.0, strip.top_row, False, LAYOUT)
    assert np.array_equal(strip.light, before)
