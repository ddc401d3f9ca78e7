"""Patterns of edge codes against numpy's own least squares and plain integration."""

import numpy as np
import pytest

from pipeline.edge_pattern import (
    BLURS,
    basis_of,
    blurred_clock,
    clock_terms,
    drift,
    likeliest_blur,
    places,
    to_misfit,
    without_drift,
)

CLOCK = "1010101010111110101010101010101"


def fitted(terms: np.ndarray, signal: np.ndarray) -> np.ndarray:
    return np.linalg.lstsq(terms, signal, rcond=None)[0]


@pytest.fixture
def signal() -> np.ndarray:
    rng = np.random.default_rng(2)
    place = places(len(CLOCK))
    return blurred_clock(CLOCK, 0.36) + 0.02 * place + 0.05 * rng.normal(size=len(place))


def test_modules_together_are_the_whole_code():
    # Blur spreads light, and takes none away.
    inside = np.abs(places(12) - 6) < 4
    assert basis_of(0.2, 12).sum(axis=1)[inside] == pytest.approx(1.0, abs=1e-9)


def test_what_drifts_is_taken_off_as_least_squares_do(signal):
    slope = drift(len(CLOCK))
    expected = signal - slope @ fitted(slope, signal)
    assert without_drift(signal, len(CLOCK)) == pytest.approx(expected, abs=1e-12)
    assert without_drift(slope @ np.array([3.0, -2.0]), len(CLOCK)) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("blur", BLURS)
def test_a_clock_is_fitted_as_least_squares_do(signal, blur):
    terms, to_terms = clock_terms(CLOCK, blur)
    assert to_terms @ signal == pytest.approx(fitted(terms, signal), abs=1e-10)


def test_a_clock_that_is_moved_and_stretched_shows_by_how_much():
    # A signal moved by d is, to first order, the pattern less d times its derivative.
    fine = np.interp(places(len(CLOCK)) - 0.05, places(len(CLOCK)), blurred_clock(CLOCK, 0.6))
    size, moved, spread = to_misfit(CLOCK, 0.6) @ fine
    assert -moved / size == pytest.approx(0.05, abs=0.01)
    assert spread == pytest.approx(0.0, abs=0.002)


@pytest.mark.parametrize("blur", BLURS)
def test_the_blur_of_a_clock_is_told(blur):
    assert likeliest_blur(blurred_clock(CLOCK, blur), CLOCK) == blur
