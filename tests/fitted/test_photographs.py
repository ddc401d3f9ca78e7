"""Colours of photographs, and the numbers of profiles/scenes.toml that were set on half of them."""

import numpy as np
import pytest
from scipy.stats import multivariate_t

from pipeline.profile import shipped
from tests.fitted.photographs import (
    COLOURS,
    FREEDOMS,
    fit_spread,
    light_tint,
    neutral_places,
    photographs,
    population,
)


def test_halves_share_no_photograph():
    used, left_out = ({p.name for p in photographs(odd)} for odd in (False, True))
    assert len(used) + len(left_out) == len(photographs()) > 130
    assert not used & left_out
    assert all(p.colours.shape == (COLOURS, 3) for p in photographs())
    # A table of nothing would pass as well.
    assert np.std([p.colours.mean() for p in photographs()]) > 0.05


def test_numbers_of_scenes_are_those_of_the_fit():
    told = shipped("scenes.toml")["neutrals"]
    fit = fit_spread(population(odd=False), told["freedom"])
    assert told["middle"] == pytest.approx(fit.middle, abs=1e-3)
    assert np.array(told["scale"]) == pytest.approx(fit.scale, abs=2e-5)


@pytest.mark.parametrize("odd", [False, True])
def test_freedom_is_the_likeliest_on_either_half(odd):
    fits = [fit_spread(population(odd), freedom) for freedom in FREEDOMS]
    best = max(fits, key=lambda fit: fit.likelihood)
    assert best.freedom == shipped("scenes.toml")["neutrals"]["freedom"]


def test_photographs_left_out_are_as_likely_as_under_their_own_fit():
    """The t distribution here is scipy's; a normal one would be far off in the tails."""
    told, others = shipped("scenes.toml")["neutrals"], population(odd=True)
    law = multivariate_t(told["middle"], told["scale"], told["freedom"])
    own = fit_spread(others, told["freedom"])
    assert own.likelihood == pytest.approx(
        multivariate_t(own.middle, own.scale, own.freedom).logpdf(others).mean(), rel=1e-6
    )
    assert law.logpdf(others).mean() > own.likelihood - 0.35


def test_tungsten_light_is_as_warm_as_planck_s_law_has_it():
    # 2856 K against 5500 K: 350 - 182 mired. Wien's law is Planck's to 1 % in the visible.
    red, green, blue = light_tint(1e6 / 2856 - 1e6 / 5500)
    power = {nm: nm**-5.0 / np.expm1(1.4388e7 / (nm * t)) for nm in (610, 465) for t in (2856,)}
    day = {nm: nm**-5.0 / np.expm1(1.4388e7 / (nm * 5500)) for nm in (610, 465)}
    expected = np.log10(power[610] / power[465] * day[465] / day[610])
    assert np.log10(red / blue) == pytest.approx(expected, rel=0.03)
    assert green == 1.0


def test_neutrals_are_found_beside_colours():
    rng = np.random.default_rng(1)
    logs = rng.uniform(-1.5, 0.0, (200, 1)) + np.zeros(3)
    logs[::3] += (0.3, 0.0, -0.3)
    assert np.abs(neutral_places(logs)).max() < 0.02
    warmer = logs + np.array([0.02, 0.0, -0.02])
    assert neutral_places(warmer)[0] == pytest.approx(0.04 / 2**0.5, abs=0.01)
