"""Passes over light, held against the same sums done by numpy."""

import numpy as np
import pytest

from pipeline.strip.light_kernel import (
    even_out,
    logs_of_step,
    logs_over,
    near_nought,
    shares_of_step,
)

RNG = np.random.default_rng(3)
LIGHT = RNG.uniform(0.0, 1.0, (9, 31, 3)).astype(np.float32)
DARK, BASE, WEIGHT = np.array([[0.01, 0.02, 0.0], [0.5, 0.3, 0.2], [0.1, 0.3, 0.2]], np.float32)


def test_shares_are_those_of_a_weighted_sum():
    share = np.empty(LIGHT.shape[:2], np.float32)
    shares_of_step(LIGHT, DARK, BASE, WEIGHT, share)
    whole = ((LIGHT.astype(float) - DARK) / BASE - 1.0) @ WEIGHT
    assert share == pytest.approx(np.clip(whole, 0.0, 1.0), abs=2e-6)


def test_logarithms_lie_on_their_surface():
    along = RNG.normal(size=(31, 3)).astype(np.float32)
    down = RNG.normal(size=(9, 3)).astype(np.float32)
    found = np.empty_like(LIGHT)
    rows = LIGHT.reshape(9, -1)
    logs_over(rows, np.tile(DARK, 31), 1e-3, -1.0, along.ravel(), down, found.reshape(9, -1))
    logs = np.log10(np.maximum(LIGHT.astype(float) - DARK, 1e-3))
    assert found == pytest.approx(along + down[:, None] - logs, abs=2e-6)


def test_logarithms_of_a_step_are_weighted_and_the_brightest_channel_is_told():
    brightest, found = np.empty((2, *LIGHT.shape[:2]), np.float32)
    logs_of_step(LIGHT, DARK, BASE, WEIGHT, 1e-3, brightest, found)
    share = (LIGHT.astype(float) - DARK) / BASE
    assert brightest == pytest.approx(share.max(axis=2), abs=1e-6)
    assert found == pytest.approx(np.log10(np.maximum(share, 1e-3)) @ WEIGHT, abs=2e-6)


def test_values_near_nought_are_small_and_alike():
    off = RNG.uniform(-0.2, 0.2, (40, 50, 3)).astype(np.float32)
    near = np.empty(off.shape[:2], bool)
    near_nought(off, 0.15, 0.1, near)
    assert (near == (np.abs(off).max(axis=2) < 0.15) & (np.ptp(off, axis=2) < 0.1)).all()
    assert near.any()


def test_light_is_evened_out_but_for_the_dark_level():
    lamp = RNG.normal(0.0, 0.4, LIGHT.shape).astype(np.float32)
    lamp[0, 0] = 50.0
    even = lamp.copy()
    even_out(LIGHT.reshape(9, -1), np.tile(DARK, 31), 30.0, even.reshape(9, -1))
    held = np.minimum(lamp.astype(float), 30.0)
    assert even == pytest.approx(DARK + (LIGHT - DARK) * 10.0**-held, rel=2e-6, abs=1e-6)
