"""Exposure trim: its laws, on pictures made up in density through a plain film."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import frame_colour as module
from pipeline.colour import RollColour, from_profile
from pipeline.film import find_film
from pipeline.frame_colour import Key, picture_key, trim_stops, usual_key

COLOUR = from_profile(find_film("generic"))
KEYS = st.builds(Key, st.floats(-12, 8), st.floats(-12, 8))


def density_of(light: np.ndarray, colour: RollColour = COLOUR) -> np.ndarray:
    """Return density above base of neutral scene light (n,) on the film of a colour."""
    layers = np.stack([curve.density(light) for curve in colour.curves], axis=1)
    return layers @ np.linalg.inv(np.asarray(colour.unmask)).T


def scene(middle: float, light: float, seed: int = 0) -> np.ndarray:
    """Return scene light with that median and that 95th percentile, in log2."""
    spread = (light - middle) / 1.645
    return 2.0 ** (middle + spread * np.random.default_rng(seed).standard_normal(900))


def test_key_is_middle_and_light_of_the_scene():
    light = scene(-2.5, -0.4)
    key = picture_key(density_of(light), COLOUR)
    assert key is not None
    told = np.percentile(np.log2(light), [50, 95])
    assert [key.middle, key.light] == pytest.approx(told, abs=0.02)


@pytest.mark.parametrize("stops", [-2.0, -1.0, 1.0, 2.0, 3.0])
def test_a_wrong_exposure_is_taken_back_but_for_its_limits(stops):
    usual = usual_key([picture_key(density_of(scene(-2.5, -0.4, n)), COLOUR) for n in range(9)])
    shifted = picture_key(density_of(scene(-2.5, -0.4, 20) * 2.0**stops), COLOUR)
    trim = trim_stops(shifted, usual)
    assert np.sign(trim) == -np.sign(stops)
    # Three quarters of it at least; of three stops, about two.
    assert 0.7 * min(abs(stops), 2.5) < abs(trim) < abs(stops)


def test_night_and_snow_stay_dark_and_light():
    usual = Key(-2.8, -0.5)
    # Lamps as bright as daylight's whites over dark streets; light middles under usual whites.
    assert trim_stops(Key(-7.0, -0.3), usual) == 0.0
    assert abs(trim_stops(Key(-7.0, -0.8), usual)) < 0.2
    assert abs(trim_stops(Key(-0.8, -0.1), usual)) < 0.3


@given(KEYS, KEYS)
def test_trim_never_overshoots_and_is_limited(key, usual):
    trim = trim_stops(key, usual)
    off = [usual.middle - key.middle, usual.light - key.light]
    assert abs(trim) <= min(abs(part) for part in off) + 1e-12
    assert abs(trim) <= module._SOFT_LIMIT_STOPS
    assert trim == 0 or all(np.sign(part) == np.sign(trim) for part in off)


@given(KEYS, KEYS, st.floats(0, 3))
def test_a_darker_picture_is_never_lightened_less(key, usual, darker):
    lower = Key(key.middle - darker, key.light - darker)
    assert trim_stops(lower, usual) >= trim_stops(key, usual) - 1e-12


@given(KEYS)
def test_the_usual_picture_is_left_alone(key):
    assert trim_stops(key, usual_key([key] * 3)) == 0.0
    assert trim_stops(None, key) == trim_stops(key, None) == 0.0


def test_black_and_clipped_areas_do_not_count():
    light = density_of(scene(-2.0, -0.5))
    black = np.full((500, 3), 0.02)
    clipped = np.full((500, 3), 4.2)
    alone = picture_key(light, COLOUR)
    together = picture_key(np.concatenate([light, black, clipped]), COLOUR)
    assert alone is not None
    assert together is not None
    assert together.middle == pytest.approx(alone.middle, abs=0.05)
    assert together.light == pytest.approx(alone.light, abs=0.05)


def test_a_picture_of_nothing_has_no_key():
    assert picture_key(np.full((900, 3), 0.01), COLOUR) is None
    assert picture_key(np.zeros((0, 3)), COLOUR) is None
    assert usual_key([None, None]) is None
    few = np.concatenate([np.full((900, 3), 0.01), density_of(scene(-2, -1))[:50]])
    assert picture_key(few, COLOUR) is None


def test_the_roll_exposure_does_not_change_trims():
    pictures = [density_of(scene(-2.5, -0.4, n) * 2.0**n) for n in range(4)]
    brighter = replace(COLOUR, exposure=4.0)
    trims = []
    for colour in (COLOUR, brighter):
        keys = [picture_key(picture, colour) for picture in pictures]
        trims.append([trim_stops(key, usual_key(keys)) for key in keys])
    assert trims[0] == pytest.approx(trims[1], abs=1e-9)
