"""The chart's figures against colour-science's, and patches told by their densities."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.chart.match import best_match, chart_exposures, chart_layout, chart_places, ways_round
from tests.film_model.spectra import colour_science

CHANCE = 0.75


def negative(shift: float = 0.0) -> np.ndarray:
    """Return densities of the chart on a line with some cross-talk between layers."""
    logs = np.log10(np.maximum(chart_exposures(), 0.002)) + shift
    mixing = np.array([[0.55, 0.05, 0.0], [0.1, 0.5, 0.1], [0.1, 0.15, 0.5]])
    return logs @ mixing.T + [1.1, 1.3, 1.5]


@pytest.mark.parametrize(
    ("published", "most"),
    [
        ("BabelColor Average", 2.0),
        ("ColorChecker 2005", 2.0),
        ("ColorChecker24 - Before November 2014", 2.0),
        ("ColorChecker24 - After November 2014", 2.6),
    ],
)
def test_colours_are_the_published_ones(published, most):
    """Source: sets of measured charts that colour-science carries; charts differ by so much."""
    science = colour_science()
    table = science.CCS_COLOURCHECKERS[published]
    white = table.illuminant
    want = science.XYZ_to_Lab(science.xyY_to_XYZ(np.array(list(table.data.values()))), white)
    lab = science.XYZ_to_Lab(chart_layout().xyz_d50, white)
    difference = science.delta_E(lab, want, method="CIE 2000")
    assert difference.max() < most
    assert len(lab) == len(table.data)


def test_exposures_are_aces_values_of_the_colours():
    """Reference: colour-science XYZ_to_RGB to ACEScg with Bradford adaptation."""
    science = colour_science()
    space = science.RGB_COLOURSPACES["ACEScg"]
    white = science.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    want = science.XYZ_to_RGB(
        chart_layout().xyz_d50, space, illuminant=white, chromatic_adaptation_transform="Bradford"
    )
    assert chart_exposures() == pytest.approx(np.asarray(want), abs=2e-4)


def test_layout_is_six_by_four_from_brown_to_black():
    layout = chart_layout()
    assert (layout.columns, layout.rows, len(layout.names)) == (6, 4, 24)
    assert layout.names[0] == "row 1, column 1: brown"
    assert layout.names[-1] == "row 4, column 6: black"
    assert chart_places()[[0, 5, 6, 23]].tolist() == [[0, 0], [5, 0], [0, 1], [5, 3]]
    luminance = layout.xyz_d50[18:, 1]
    assert (np.diff(luminance) < 0).all()


def test_ways_round_are_those_that_keep_a_rectangle():
    grid = np.arange(24).reshape(4, 6)
    want = {
        tuple(way.ravel()) for way in (grid, np.rot90(grid, 2), np.fliplr(grid), np.flipud(grid))
    }
    assert {tuple(way) for way in ways_round()} == want


@pytest.mark.parametrize("way", range(4))
@given(st.floats(-0.9, 0.9), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1), st.integers(0, 99))
def test_the_way_round_is_told_in_uneven_light_and_grain(way, shift, across, down, seed):
    densities = negative(shift) + (chart_places() @ [across, down])[:, None] / 5
    densities += np.random.default_rng(seed).normal(0, 0.01, densities.shape)
    scrambled = np.empty_like(densities)
    scrambled[ways_round()[way]] = densities
    match = best_match(scrambled)
    assert match is not None
    assert match.order.tolist() == ways_round()[way].tolist()
    assert match.explained > 0.95


@pytest.mark.parametrize("columns_in_shadow", range(1, 6))
@pytest.mark.parametrize("density", [0.15, 0.45])
def test_the_edge_of_a_shadow_between_columns_is_allowed_for(columns_in_shadow, density):
    shadow = (chart_places()[:, 0] < columns_in_shadow) * density
    match = best_match(negative() - shadow[:, None])
    assert match is not None
    assert match.order.tolist() == list(range(24))
    assert match.explained > 0.95


@given(st.integers(0, 10_000), st.sampled_from([0.05, 0.3, 1.0]))
def test_patches_of_any_colour_are_no_chart(seed, colourfulness):
    rng = np.random.default_rng(seed)
    wall = rng.uniform(0.1, 1.5, (24, 1)) + rng.normal(0, colourfulness, (24, 3))
    match = best_match(wall)
    assert match is None or match.explained < CHANCE


def test_a_positive_is_no_chart():
    assert best_match(2.0 - negative()) is None


def test_flat_or_missing_patches_are_no_chart():
    assert best_match(np.full((24, 3), 0.7)) is None
    assert best_match(np.full((24, 3), np.nan)) is None
