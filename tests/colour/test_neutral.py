"""Edge print and card as evidence of balance; `developed` in test_solve.py is the forward model.

Derivatives are held against differences.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.colour.fit import fit_grey
from pipeline.colour.neutral import given_neutrals, neutral_fit, neutrals
from pipeline.colour.solve import solve_roll
from pipeline.colour.trial import covariance
from pipeline.colour.unmask import from_profile, layer_exposure
from pipeline.kinds import MIDDLE_GREY
from pipeline.profile import GreyOnFilm, shipped
from pipeline.survey.edge_print import EdgePrint
from tests.colour.test_belief import tinted
from tests.colour.test_solve import GENERIC, cast, developed, known_film, roll_of

LAW = shipped("scenes.toml")["edge_print"]
# Two and a half times the light of a middle grey, in the middle of what factories do.
USUAL = 0.45 * 10.0 ** (np.array([0.5, 0.0, -0.5]) * 2**0.5 * LAW["middle_log_e"][0])
ALIKE = np.zeros(7)


def printed(light=USUAL, curves=GENERIC.curves, balance=(0.0, 0.0, 0.0), error=0.002) -> EdgePrint:
    density = developed(np.array([light]), curves, balance)[0]
    return EdgePrint(tuple(density.tolist()), (error,) * 3)


def fit_of(seen: EdgePrint | None, profile=GENERIC, numbers=ALIKE):
    return neutral_fit(neutrals(profile, seen), profile, numbers)


def test_the_film_that_shows_the_usual_light_is_the_likeliest():
    here = fit_of(printed())
    assert here.cost == pytest.approx(0.0, abs=1e-4)
    assert np.abs(here.slope).max() < 0.1
    away = fit_of(printed(balance=(0.1, 0.0, 0.0)))
    assert away.cost > 0.2


@given(st.lists(st.floats(-0.15, 0.15), min_size=7, max_size=7).map(np.array))
def test_slopes_are_those_of_the_cost(numbers):
    seen = printed(balance=(0.05, 0.0, -0.08))
    for at, slope in enumerate(fit_of(seen, numbers=numbers).slope):
        step = np.eye(7)[at] * 1e-4
        ahead, behind = (fit_of(seen, numbers=numbers + s).cost for s in (step, -step))
        # What is open of the density turns a little with the numbers, which slopes leave out.
        assert slope == pytest.approx((ahead - behind) / 2e-4, abs=0.02, rel=0.02)


def test_a_print_that_is_measured_badly_tells_less():
    film = {"balance": (0.12, 0.0, -0.12)}
    near, far = (fit_of(printed(error=e, **film)) for e in (0.002, 0.2))
    assert near.cost > 1.5 * far.cost
    assert np.trace(near.curved) > 1.5 * np.trace(far.curved)


def test_a_light_far_from_all_is_the_factory_s_not_the_film_s():
    spread = covariance(GENERIC)
    moved = []
    for off in (0.2, 1.5):
        light = USUAL * 10.0 ** np.array([off, 0.0, -off])
        known = neutrals(GENERIC, printed(light))
        numbers, told = given_neutrals(ALIKE, spread, known, GENERIC)
        moved.append(float(numbers[3] - numbers[2]))
        assert (np.diag(told) <= np.diag(spread) * 1.001).all()
    assert 0.0 < moved[1] < moved[0] < 0.4


@pytest.mark.parametrize("shift", [(-0.45, 0.0, -0.6), (0.4, 0.0, -0.5)])
def test_a_cast_over_pictures_is_left_in_them_sooner_if_the_print_has_none(shift):
    pictures = tinted(shift, 24)
    alone, beside = (solve_roll(pictures, GENERIC, p) for p in (None, printed()))
    assert beside.cast > 0.5
    assert np.abs(cast(beside))[1].max() < 0.8 * np.abs(cast(alone))[1].max()


def test_a_film_far_from_the_profile_is_told_from_a_lamp_by_its_print():
    film, balance = known_film(1.0, 1.0), (0.2, 0.0, -0.2)
    pictures = roll_of(film, balance, count=8, seed=3)
    alone, beside = (
        solve_roll(pictures, GENERIC, p) for p in (None, printed(curves=film, balance=balance))
    )
    assert beside.cast < alone.cast
    off = [np.abs(cast(c, film, balance))[1].max() for c in (alone, beside)]
    assert off[1] < off[0]
    assert beside.doubt_log_e < alone.doubt_log_e


def test_what_a_card_was_on_a_film_stays_neutral_whatever_the_pictures_are():
    film, balance = known_film(1.1, 0.9), (0.15, 0.0, -0.2)
    card = developed(np.full((1, 3), MIDDLE_GREY), film, balance)[0]
    profile = fit_grey(card, GENERIC)
    for pictures in (tinted((-0.45, 0.0, -0.6), 24), roll_of(film, balance, count=8, seed=3)):
        logs = np.log10(layer_exposure(card, solve_roll(pictures, profile)))
        assert np.ptp(logs) < 0.04


def test_slopes_move_about_the_card_and_not_about_the_base():
    film = known_film(1.15, 0.85)
    profile = fit_grey(developed(np.full((1, 3), MIDDLE_GREY), film)[0], GENERIC)
    solved = solve_roll(roll_of(film, (0.0, 0.0, 0.0), count=12, seed=5), profile)
    alone, beside = (np.abs(cast(colour, film)) for colour in (from_profile(profile), solved))
    assert beside[1].max() < 0.02
    assert (beside[[0, 2]] < 0.95 * alone[[0, 2]]).all()


@given(st.lists(st.floats(-0.15, 0.15), min_size=7, max_size=7).map(np.array))
def test_slopes_of_a_card_s_cost_are_its_own(numbers):
    profile = replace(GENERIC, grey=GreyOnFilm((0.6, 0.7, 0.65), 0.017))
    for at, slope in enumerate(fit_of(None, profile, numbers).slope):
        step = np.eye(7)[at] * 1e-4
        ahead, behind = (fit_of(None, profile, numbers + s).cost for s in (step, -step))
        assert slope == pytest.approx((ahead - behind) / 2e-4, abs=0.02, rel=0.02)


def test_a_fixed_profile_is_not_moved_by_a_print():
    fixed = replace(GENERIC, fixed=True)
    some = printed(balance=(0.2, 0.0, 0.0))
    assert solve_roll(tinted((0, 0, 0), 4), fixed, some) == solve_roll([], fixed)
