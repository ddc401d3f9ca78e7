"""The law of profiles/rolls.toml: its doubt against what errors were made from."""

import numpy as np

from pipeline.colour.likeness import nearness
from pipeline.profile import shipped
from tests.fitted.rolls import KEPT, NARROW, NOISE, fit_doubt, fit_rolls


def test_doubt_near_and_far_is_what_errors_were_drawn_with():
    rng = np.random.default_rng(0)
    near, usual = np.array([[0.04, 0.01], [0.01, 0.09]]), np.array([[1.0, 0.2], [0.2, 0.5]])
    share = rng.uniform(0.5, 1.0, 20000)
    off = np.array([rng.multivariate_normal([0, 0], near + 0.8 * (1.0 - s) * usual) for s in share])
    numbers = rng.multivariate_normal([0, 0], usual, 20000)
    doubt = fit_doubt(off, share, numbers)
    assert np.abs(doubt.far - 0.8 * usual).max() < 0.08
    assert np.abs(doubt.near - near).max() < 0.03


def test_errors_that_nearness_does_not_change_are_the_same_far_away():
    rng = np.random.default_rng(1)
    off, share = rng.normal(0, 0.3, (5000, 2)), rng.uniform(0.5, 1.0, 5000)
    doubt = fit_doubt(off, share, rng.normal(0, 1.0, (5000, 2)))
    assert np.abs(doubt.far).max() < 0.05
    assert np.abs(doubt.near - 0.09 * np.eye(2)).max() < 0.02


def test_numbers_that_statistics_tell_are_told():
    rng = np.random.default_rng(2)
    told = rng.normal(0, 1.0, (1500, 5)) * [1.0, 3.0, 0.1, 1.0, 20.0]
    numbers = np.stack([np.tanh(told[:, 0]), 0.2 * told[:, 1] * told[:, 0]], axis=1)
    law = fit_rolls(told[:1200], numbers[:1200])
    near = nearness((told[1200:] - law["middle"]) / law["spread"], law["places"], NARROW)
    off = law["usual"] + near @ law["adds"] - numbers[1200:]
    assert (off.std(axis=0) < 0.5 * numbers[1200:].std(axis=0)).all()


def test_the_profile_is_of_these_constants():
    told = shipped("rolls.toml")
    assert (told["law"]["narrow"], told["law"]["noise"]) == (NARROW, NOISE)
    assert len(told["rolls"]["places"]) == KEPT
