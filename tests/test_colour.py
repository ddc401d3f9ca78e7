"""Colour of the roll: what a made-up roll of known curves and balance must come back as.

The forward model here (scene to density) is written out from the form of the curve that
`LayerCurve` documents and shares no code with the product; films and scenes are made up.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.base import density_above, measure_base
from pipeline.colour import (
    RollColour,
    from_profile,
    layer_exposure,
    scene_light,
    solve_roll,
    with_exposure,
)
from pipeline.density import Illumination
from pipeline.film import LayerCurve, find_film

GENERIC = find_film("generic")
# Slopes of red and blue relative to the profile's, and balance: within two of the profile's
# own spreads (8 % of slope, 0.07 in log10 exposure), as 19 of 20 films are.
CASES = (
    ((1.0, 1.0), (0.0, 0.0, 0.0)),
    ((0.9, 1.1), (0.08, 0.0, -0.06)),
    ((1.12, 0.92), (-0.1, 0.0, 0.1)),
)


def known_film(red: float, blue: float) -> tuple[LayerCurve, LayerCurve, LayerCurve]:
    first, green, third = GENERIC.curves
    return (
        replace(first, slope=first.slope * red),
        green,
        replace(third, slope=third.slope * blue),
    )


def developed(exposure: np.ndarray, curves, balance=(0.0, 0.0, 0.0)) -> np.ndarray:
    """Return density above base for the scene's exposure (n, 3): the negative process, forward."""
    layers = np.empty_like(exposure)
    for channel, curve in enumerate(curves):
        ratio = exposure[:, channel] / 10 ** balance[channel] / curve.toe_exposure
        layers[:, channel] = (
            curve.slope / curve.toe_power * np.log1p(ratio**curve.toe_power) / math.log(10)
        )
    return np.linalg.solve(np.array(GENERIC.unmask), layers.T).T


def scenes(count: int, seed: int, coloured: float = 0.4) -> list[np.ndarray]:
    """Return exposures (400, 3) of mostly neutral scenes with warm and cool surfaces in them."""
    rng = np.random.default_rng(seed)
    rolls = []
    for _ in range(count):
        grey = 10 ** rng.uniform(-1.7, 0.1, 400)
        warm = rng.normal(0, 0.15, 400) * (rng.random(400) < coloured)
        green = rng.normal(0, 0.05, 400) * (rng.random(400) < coloured)
        shifts = np.stack([warm + green, np.zeros(400), green - warm], axis=1)
        rolls.append(grey[:, None] * 10**shifts)
    return rolls


def roll_of(curves, balance, count: int, seed: int) -> list[np.ndarray]:
    return [developed(scene, curves, balance) for scene in scenes(count, seed)]


exposures = st.lists(st.floats(3e-3, 4.0), min_size=3, max_size=3)


@given(exposures, st.lists(st.floats(-0.3, 0.3), min_size=3, max_size=3), st.floats(0.1, 8.0))
def test_layer_exposure_inverts_the_negative_process(exposure, balance, scale):
    seen = np.array([exposure])
    colour = replace(from_profile(GENERIC), balance=tuple(balance), exposure=scale)
    found = layer_exposure(developed(seen, GENERIC.curves, balance), colour)
    # Below the documented knee the curve's tangent stands in for it.
    knee = 0.04 * np.array([curve.slope for curve in GENERIC.curves])
    above = developed(seen, GENERIC.curves, balance) @ np.array(GENERIC.unmask).T > knee
    assert found[above] == pytest.approx((seen * scale)[above], rel=1e-6)


@given(st.lists(st.floats(-0.3, 0.3), min_size=3, max_size=3), st.floats(-3.0, 3.0))
def test_balance_adds_to_log_exposure_and_exposure_scales_all(balance, stops):
    density = np.random.default_rng(1).uniform(0.1, 1.5, (2, 5, 3))
    plain = from_profile(GENERIC)
    moved = replace(plain, balance=tuple(balance), exposure=2.0**stops)
    ratio = np.log10(layer_exposure(density, moved) / layer_exposure(density, plain))
    expected = np.array(balance) + stops * math.log10(2)
    assert ratio == pytest.approx(np.broadcast_to(expected, ratio.shape), abs=1e-9)


def test_scene_light_is_the_profile_s_matrix_of_the_layers():
    density = np.random.default_rng(2).uniform(0.1, 1.5, (7, 3))
    mixing = ((0.9, 0.1, 0.0), (0.05, 0.9, 0.05), (0.0, 0.2, 0.8))
    colour = replace(from_profile(GENERIC), scene=mixing)
    layers = layer_exposure(density, colour)
    for seen, row in zip(scene_light(density, colour), layers, strict=True):
        expected = [sum(m * e for m, e in zip(line, row, strict=True)) for line in mixing]
        assert seen == pytest.approx(expected)


@pytest.mark.parametrize(("slopes", "balance"), CASES)
def test_a_roll_gives_back_its_film_s_slopes_and_balance(slopes, balance):
    film = known_film(*slopes)
    solved = solve_roll(roll_of(film, balance, count=30, seed=0), GENERIC)
    assert solved.how == "roll"
    assert solved.curves[1] == GENERIC.curves[1]
    assert solved.balance[1] == 0.0
    for channel in (0, 2):
        ratio = solved.curves[channel].slope / film[channel].slope
        assert abs(math.log(ratio)) < SLOPE_OFF
        assert abs(solved.balance[channel] - balance[channel]) < BALANCE_OFF


SLOPE_OFF, BALANCE_OFF = 0.02, 0.02
