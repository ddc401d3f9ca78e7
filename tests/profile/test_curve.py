"""Characteristic curves: the laws that any curve of a layer keeps."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.profile.curve import LayerCurve, PointCurve, Shoulder

CURVES = st.builds(
    LayerCurve,
    slope=st.floats(0.3, 1.5),
    toe_exposure=st.floats(-4.0, -0.5).map(lambda exponent: 10.0**exponent),
    toe_power=st.floats(0.7, 3.0),
)
BENDS = st.builds(
    Shoulder,
    density=st.floats(0.8, 3.0),
    softness=st.floats(0.05, 0.5),
    slope=st.floats(0.2, 0.3),
)
BENT = st.builds(lambda curve, bend: replace(curve, shoulder=bend), CURVES, BENDS)
STEPS = st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(0.01, 2.0)), min_size=2, max_size=12)
POINTS = STEPS.map(
    lambda steps: PointCurve(
        tuple(np.cumsum([d for d, _ in steps]).tolist()),
        tuple((np.cumsum([e for _, e in steps]) - 6.0).tolist()),
    )
)
LOG_EXPOSURES = st.lists(st.floats(-3.0, 3.0), min_size=2, max_size=20, unique=True).map(sorted)


@given(CURVES | BENT, LOG_EXPOSURES)
def test_exposure_undoes_density_above_the_knee(curve, log_exposures):
    exposure = 10.0 ** np.array(log_exposures)
    density = curve.density(exposure)
    clear = density > 0.05 * curve.slope
    assert curve.exposure(density)[clear] == pytest.approx(exposure[clear], rel=1e-6)


@given(CURVES | BENT | POINTS, LOG_EXPOSURES)
def test_density_rises_with_exposure(curve, log_exposures):
    density = curve.density(10.0 ** np.array(log_exposures))
    assert (np.diff(density) >= 0).all()


@given(CURVES | BENT)
def test_exposure_rises_with_density_through_and_below_the_base(curve):
    density = np.linspace(-1.0, 3.0, 801)
    exposure = curve.exposure(density)
    assert np.isfinite(exposure).all()
    assert (np.diff(exposure) > 0).all()


@given(CURVES)
def test_there_is_no_step_at_the_knee(curve):
    knee = 0.04 * curve.slope
    under, at, over = curve.exposure(np.array([knee - 1e-7, knee, knee + 1e-7]))
    assert over - at == pytest.approx(at - under, rel=0.05)


@given(CURVES)
def test_far_above_the_toe_the_curve_is_a_line_of_its_slope(curve):
    # Definition of gamma: slope of the straight part, density over log10 exposure.
    far = curve.toe_exposure * np.array([1e6, 1e7])
    low, high = curve.density(far)
    assert high - low == pytest.approx(curve.slope, rel=1e-3)
    assert low == pytest.approx(6 * curve.slope, rel=1e-3)


def test_no_light_leaves_the_base():
    curve = LayerCurve(0.6, 0.01, 1.5)
    assert (curve.density(np.array([0.0, -1.0])) == 0).all()
    assert curve.density(np.array(0.01)) == pytest.approx(0.6 / 1.5 * math.log10(2))


@given(BENT)
def test_far_beyond_toe_and_shoulder_the_curve_is_a_line_of_the_shoulder_s_slope(curve):
    past_toe = 8.0 * curve.slope / curve.toe_power
    far = curve.shoulder.density + past_toe + curve.shoulder.softness * np.array([12.0, 13.0])
    low, high = np.log10(curve.exposure(far))
    rise = curve.shoulder.softness / (high - low)
    assert rise == pytest.approx(curve.shoulder.slope, rel=1e-3)


@given(CURVES, BENDS)
def test_well_below_the_shoulder_nothing_changes(curve, bend):
    low = np.array([0.01, 0.2, 1.0]) * (bend.density - 9 * bend.softness)
    low = low[low > 0.05 * curve.slope]
    same = curve.density(replace(curve, shoulder=bend).exposure(low))
    # Past nine widths a soft-plus is below e^-9 widths.
    slack = (curve.slope / bend.slope) * bend.softness * math.exp(-9)
    assert same == pytest.approx(low, abs=slack + 1e-9)


@given(CURVES | BENT | POINTS, st.floats(0.5, 2.0))
def test_a_steeper_curve_has_all_densities_multiplied(curve, factor):
    exposure = 10.0 ** np.linspace(-3.0, 2.0, 11)
    expected = curve.density(exposure) * factor
    assert curve.steeper(factor).density(exposure) == pytest.approx(expected, rel=1e-6, abs=1e-9)
    assert curve.steeper(factor).slope == pytest.approx(curve.slope * factor)


@given(POINTS)
def test_a_curve_of_points_goes_through_them_and_on(curve):
    known = 10.0 ** np.array(curve.log_exposures)
    assert curve.exposure(np.array(curve.densities)) == pytest.approx(known, rel=1e-9)
    assert curve.density(known) == pytest.approx(np.array(curve.densities), abs=1e-9)
    for end, step in ((0, -1), (-1, 1)):
        inner = -2 if end else 1
        rise = abs(curve.log_exposures[end] - curve.log_exposures[inner])
        run = abs(curve.densities[end] - curve.densities[inner])
        beyond = curve.exposure(np.array(curve.densities[end] + step * run))
        assert np.log10(beyond) == pytest.approx(curve.log_exposures[end] + step * rise)


def test_a_curve_of_points_may_end_on_a_level():
    curve = PointCurve((0.0, 1.0, 2.0), (-2.0, 0.0, 0.0))
    assert curve.exposure(np.array([1.5, 9.0])) == pytest.approx([1.0, 1.0])
    assert curve.density(np.array(0.0)) == 0.0


def test_slope_of_a_curve_of_points_is_that_at_middle_grey():
    curve = PointCurve((0.0, 0.1, 0.6, 0.7), (-3.0, -1.5, -0.5, 2.0))
    assert curve.slope == pytest.approx(0.5)
