"""Colours of photographs, and the numbers of profiles/scenes.toml that were set on half of them."""

import numpy as np
import pytest
from scipy.stats import multivariate_t

from pipeline.profile import shipped
from tests.fitted.photographs import (
    COLOURS,
    fit_spread,
    light_tint,
    photographs,
    population,
    ratios_of,
)


def test_halves_share_no_photograph():
    used, left_out = ({p.name for p in photographs(odd)} for odd in (False, True))
    assert len(used) + len(left_out) == len(photographs()) > 130
    assert not used & left_out
    assert all(p.colours.shape == (COLOURS, 3) for p in photographs())
    # A table of nothing would pass as well.
    assert np.std([p.colours.mean() for p in photographs()]) > 0.05


PLACES = range(len(shipped("scenes.toml")["colours"]["part"]))


@pytest.mark.parametrize("place", PLACES)
def test_numbers_of_scenes_are_those_of_the_fit(place):
    told = shipped("scenes.toml")["colours"]
    part, fit = told["part"][place], fit_spread(population(odd=False)[place], told["freedom"])
    assert part["middle"] == pytest.approx(fit.middle, abs=1e-3)
    assert np.array(part["scale"]) == pytest.approx(fit.scale, abs=2e-5)


@pytest.mark.parametrize("place", PLACES)
def test_photographs_left_out_are_as_likely_as_under_their_own_fit(place):
    """The t distribution here is scipy's; a normal one would be far off in the tails."""
    told, others = shipped("scenes.toml")["colours"], population(odd=True)[place]
    part = told["part"][place]
    law = multivariate_t(part["middle"], part["scale"], told["freedom"])
    own = fit_spread(others, told["freedom"])
    as_fitted = multivariate_t(own.middle, own.scale, own.freedom)
    assert own.likelihood == pytest.approx(
        others.weight @ as_fitted.logpdf(others.ratios), rel=1e-6
    )
    assert others.weight @ law.logpdf(others.ratios) > own.likelihood - 0.1


@pytest.mark.parametrize("odd", [False, True])
def test_what_is_lightest_lies_nearest_to_the_colour_of_the_light(odd):
    """The role of bright pixels in illumination estimation (Joze and others, 2012)."""
    spreads = [np.sqrt(np.diag(fit_spread(pool, 1.5).scale)) for pool in population(odd=odd)]
    assert (spreads[2] < 0.7 * np.minimum(*spreads[:2])).all()


def test_tungsten_light_is_as_warm_as_planck_s_law_has_it():
    # 2856 K against 5500 K: 350 - 182 mired. Wien's law is Planck's to 1 % in the visible.
    red, green, blue = light_tint(1e6 / 2856 - 1e6 / 5500)
    power = {nm: nm**-5.0 / np.expm1(1.4388e7 / (nm * t)) for nm in (610, 465) for t in (2856,)}
    day = {nm: nm**-5.0 / np.expm1(1.4388e7 / (nm * 5500)) for nm in (610, 465)}
    expected = np.log10(power[610] / power[465] * day[465] / day[610])
    assert np.log10(red / blue) == pytest.approx(expected, rel=0.03)
    assert green == 1.0


def test_ratios_are_of_unit_vectors_beside_grey():
    assert ratios_of(np.full((3, 3), -0.7)) == pytest.approx(np.zeros((3, 2)), abs=1e-12)
    warm, green = ratios_of(np.array([[1.0, 0.0, -1.0], [-1.0, 2.0, -1.0]]))
    assert warm == pytest.approx([2**0.5, 0.0])
    assert green == pytest.approx([0.0, 6**0.5])
