"""Characteristic curves through steps: against formulas, isotonic regression and scipy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import make_smoothing_spline
from sklearn.isotonic import IsotonicRegression

from pipeline.densities.characteristic import characteristic, curve_rules
from tests.chart.wedged import GRID, neutral_curve, true_contrast
from tests.film_model import film_names

BASE = np.zeros(3)


def ramp(x: np.ndarray, width: float) -> np.ndarray:
    return width * np.logaddexp(0.0, x / width)


def s_curve(logs: np.ndarray) -> np.ndarray:
    """Return densities (n, 3) of slopes 0.5, 0.6, 0.7, bent at -1.2 and 1.6 (closed formula)."""
    bent = ramp(logs + 1.2, 0.15) - ramp(logs - 1.6, 0.2)
    return bent[:, None] * np.array([0.5, 0.6, 0.7])


def contrasts(curves) -> np.ndarray:
    return np.array([curve.contrast for curve in curves])


def test_a_straight_line_has_its_slope_and_no_bends():
    # ISO 6:1993 (from memory) has its speed point where 1.30 in log H make 0.80 in density.
    logs = np.arange(0.0, 1.31, 0.13)
    density = np.column_stack([logs * 0.80 / 1.30] * 3) + 0.1
    for curve in characteristic(logs, density):
        assert curve.contrast == pytest.approx(0.80 / 1.30, rel=1e-3)
        assert curve.density_at(1.3) - curve.density_at(0.0) == pytest.approx(0.80, abs=1e-3)
        assert (curve.toe, curve.shoulder, curve.base_density) == (None, None, None)
        assert curve.straight


def test_an_s_shaped_curve_has_toe_and_shoulder_where_it_bends():
    logs = np.arange(-2.6, 2.5, 0.15)
    share = curve_rules()["straight_slope_share"]
    for curve, slope in zip(characteristic(logs, s_curve(logs)), (0.5, 0.6, 0.7), strict=True):
        assert curve.contrast == pytest.approx(slope, rel=0.005)
        # Where the formula's slope, a logistic, is that share of the straight part's.
        logit = np.log(share / (1 - share))
        assert curve.toe.log_exposure == pytest.approx(-1.2 + 0.15 * logit, abs=0.05)
        assert curve.shoulder.log_exposure == pytest.approx(1.6 - 0.2 * logit, abs=0.06)
        assert curve.base_density == pytest.approx(0.0, abs=0.005)
        assert curve.toe.density < 0.25 < curve.shoulder.density


@pytest.mark.parametrize("film", film_names())
@pytest.mark.parametrize(("low", "step", "count"), [(-2.0, 0.15, 21), (-1.5, 0.301, 11)])
def test_contrast_is_the_film_s(film, low, step, count):
    truth = true_contrast(film, "scanner-b")
    logs = low + step * np.arange(count)
    known = neutral_curve(film, "scanner-b")
    seen = np.column_stack([np.interp(logs, GRID, known[:, n]) for n in range(3)])
    rng = np.random.default_rng(count)
    noisy = seen + rng.normal(0.0, 0.004, seen.shape)
    curves = characteristic(logs, noisy, np.full_like(seen, 0.004), BASE)
    assert contrasts(curves) == pytest.approx(truth, rel=0.03)
    off = (contrasts(curves) - truth) / [curve.contrast_error for curve in curves]
    assert np.abs(off).max() < 4.0


def test_errors_told_are_those_made():
    truth, logs = 0.6, np.arange(-2.0, 1.2, 0.15)
    seen = s_curve(logs)
    rng = np.random.default_rng(5)
    off, told = [], []
    for _ in range(25):
        noisy = seen + rng.normal(0.0, 0.008, seen.shape)
        green = characteristic(logs, noisy, np.full_like(seen, 0.008), BASE)[1]
        off.append(green.contrast - truth)
        told.append(green.contrast_error)
    assert np.sqrt(np.mean(np.square(off))) == pytest.approx(np.mean(told), rel=0.5)


def test_the_curve_never_falls_and_is_near_other_monotone_fits():
    logs = np.arange(-2.4, 2.2, 0.1)
    rng = np.random.default_rng(2)
    noisy = s_curve(logs) + rng.normal(0.0, 0.02, (len(logs), 3))
    curve = characteristic(logs, noisy)[1]
    drawn = np.interp(logs, curve.log_exposure, curve.density)
    assert (np.diff(curve.density) >= 0).all()
    isotonic = IsotonicRegression().fit_transform(logs, noisy[:, 1])
    spline = make_smoothing_spline(logs, noisy[:, 1])(logs)
    truth = s_curve(logs)[:, 1]
    off = [float(np.sqrt(np.mean((fit - truth) ** 2))) for fit in (drawn, spline, isotonic)]
    assert off[0] < 1.1 * off[1]
    assert off[0] < off[2]
    assert np.abs(drawn - spline).max() < 0.02


def test_a_stray_step_counts_for_little():
    logs = np.arange(-2.0, 1.2, 0.15)
    seen = s_curve(logs)
    dusty = seen.copy()
    dusty[12] += 0.15
    clean, stray = (
        contrasts(characteristic(logs, each, np.full_like(seen, 0.004), BASE))
        for each in (seen, dusty)
    )
    assert stray == pytest.approx(clean, rel=0.03)


def test_steps_in_the_toe_alone_are_told_not_to_reach_the_straight_part():
    logs = np.arange(-2.6, -1.0, 0.15)
    assert not any(curve.straight for curve in characteristic(logs, s_curve(logs), None, BASE))
    logs = np.arange(-1.5, 1.0, 0.15)
    assert all(curve.straight for curve in characteristic(logs, s_curve(logs), None, BASE))


@pytest.mark.parametrize("logs", [[0.0, 0.3, 0.6], [0.0, 0.05, 0.1, 0.15], [0.1] * 6])
def test_too_few_steps_make_no_curve(logs):
    assert characteristic(np.array(logs), s_curve(np.array(logs))) is None


@pytest.mark.parametrize(
    ("span", "steps", "told"), [(0.2, 6, False), (0.3, 6, True), (0.9, 3, False), (0.9, 4, True)]
)
def test_four_steps_over_most_of_a_stop_make_a_curve(span, steps, told):
    logs = np.linspace(0.0, span, steps)
    assert (characteristic(logs, s_curve(logs)) is not None) is told


def test_densities_are_found_both_ways_and_only_inside():
    logs = np.arange(-2.0, 2.0, 0.15)
    curve = characteristic(logs, s_curve(logs), None, BASE)[1]
    assert curve.log_exposure_at(curve.density_at(0.3)) == pytest.approx(0.3, abs=0.01)
    assert curve.density_at(-2.5) is None
    assert curve.log_exposure_at(-0.2) is None
    assert curve.log_exposure_at(9.0) is None


@settings(max_examples=15)
@given(
    shift=st.floats(-5, 5), factor=st.floats(0.4, 1.8), base=st.floats(0, 1), seed=st.integers(0, 9)
)
def test_laws_of_shift_scale_and_order(shift, factor, base, seed):
    logs = np.arange(-2.0, 2.0, 0.2)
    seen = s_curve(logs)
    error = np.full_like(seen, 0.004)
    plain = characteristic(logs, seen, error)
    order = np.random.default_rng(seed).permutation(len(logs))
    moved = characteristic(logs[order] + shift, seen[order] * factor + base, error * factor)
    assert contrasts(moved) == pytest.approx(factor * contrasts(plain), rel=0.01)
    for one, other in zip(plain, moved, strict=True):
        assert other.toe.log_exposure == pytest.approx(one.toe.log_exposure + shift, abs=0.04)
        assert other.base_density == pytest.approx(factor * one.base_density + base, abs=0.005)
