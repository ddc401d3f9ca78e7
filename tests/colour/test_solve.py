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

from pipeline.colour.solve import solve_roll, with_exposure
from pipeline.colour.unmask import RollColour, from_profile, layer_exposure, scene_light
from pipeline.profile.curve import LayerCurve
from pipeline.profile.film import find_film
from pipeline.strip.base import density_above, measure_base
from pipeline.strip.density import Illumination

FILM = find_film("generic")
# The forward model below is written out without a shoulder.
GENERIC = replace(FILM, curves=tuple(replace(curve, shoulder=None) for curve in FILM.curves))
# Slopes of red and blue relative to the profile's, and balance.
CASES = (
    ((1.0, 1.0), (0.0, 0.0, 0.0)),
    ((0.9, 1.1), (0.08, 0.0, -0.06)),
    ((1.12, 0.92), (-0.1, 0.0, 0.1)),
)
# From a dark grey to white.
GREYS = np.array([0.03, 0.18, 0.9])
# Log10 exposure ratio that is a cast of about 2 C*ab in a middle grey.
SEEN_LOG_E = 0.028


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


def cast(colour: RollColour, curves=GENERIC.curves, balance=(0.0, 0.0, 0.0)) -> np.ndarray:
    """Return log10 ratios of red and blue to green (3, 2) that greys on a film come out with."""
    logs = np.log10(layer_exposure(developed(np.tile(GREYS, (3, 1)).T, curves, balance), colour))
    return logs[:, [0, 2]] - logs[:, 1:2]


@pytest.mark.parametrize(("slopes", "balance"), CASES)
def test_greys_of_a_film_unlike_the_profile_come_out_near_neutral(slopes, balance):
    film = known_film(*slopes)
    solved = solve_roll(roll_of(film, balance, count=30, seed=0), GENERIC)
    assert solved.how == "roll"
    # Of green only the slope is looked for.
    assert solved.curves[1] == GENERIC.curves[1].steeper(
        solved.curves[1].slope / GENERIC.curves[1].slope
    )
    assert solved.balance[1] == 0.0
    found, alone = (np.abs(cast(c, film, balance)) for c in (solved, from_profile(GENERIC)))
    # The pull of the profile's prior and of the roll's own light leaves a part of what it is off.
    assert (found < np.maximum(SEEN_LOG_E, 0.5 * alone.max())).all()
    assert found[1].max() < 2.0 * solved.doubt_log_e


def test_no_samples_leave_the_profile():
    profile = from_profile(GENERIC)
    assert profile.how == "profile"
    assert profile.curves == GENERIC.curves
    base_only = np.zeros((400, 3))
    too_few = np.full((19, 3), 0.5)
    for frames in ([], [base_only], [too_few], [np.full((400, 3), np.nan)]):
        assert solve_roll(frames, GENERIC) == profile


def coloured(shift: tuple[float, float, float], count: int) -> list[np.ndarray]:
    """Return pictures of one colour's surfaces, 0.08 apart, a third of each picture grey."""
    rng = np.random.default_rng(4)
    frames = []
    for _ in range(count):
        grey = 10 ** rng.uniform(-1.5, 0.0, (400, 1))
        cast = (np.array(shift) + rng.normal(0, 0.08, (400, 3))) * (rng.random((400, 1)) > 0.35)
        frames.append(developed(grey * 10**cast, GENERIC.curves))
    return frames


@pytest.mark.parametrize("shift", [(-0.25, 0.0, -0.25), (0.3, 0.0, -0.3), (-0.3, 0.0, 0.3)])
@pytest.mark.parametrize("count", [1, 20])
def test_pictures_of_foliage_brick_or_sea_leave_greys_grey(shift, count):
    # However many of them, a third of each is grey.
    dark, *others = np.abs(cast(solve_roll(coloured(shift, count), GENERIC)))
    # Films that lean to the colours of the sea are more usual than those that lean otherwise.
    assert np.max(others) < (1.15 if shift[2] > 0.0 else 1.0) * SEEN_LOG_E
    # Shadows of photographs are warmer than these, and less is seen in them.
    assert dark.max() < 2.0 * SEEN_LOG_E


@pytest.mark.parametrize("shift", [(-0.25, 0.0, -0.25), (-0.15, 0.0, -0.15), (0.3, 0.0, -0.3)])
def test_a_roll_of_one_colour_without_any_grey_stays_within_the_profile_s_spread(shift):
    rng = np.random.default_rng(5)
    frames = []
    for _ in range(24):
        grey = 10 ** rng.uniform(-1.5, 0.0, (400, 1))
        cast = np.array(shift) + rng.normal(0, 0.08, (400, 3))
        frames.append(developed(grey * 10**cast, GENERIC.curves))
    solved = solve_roll(frames, GENERIC)
    for channel in (0, 2):
        # The cast is two to four of the profile's spreads; it is the scenes', not the film's.
        assert abs(solved.balance[channel]) < 1.5 * GENERIC.speed_spread_log_e


def test_confidence_grows_with_the_pictures():
    film = known_film(1.05, 0.95)
    found = [solve_roll(roll_of(film, (0, 0, 0), n, seed=3), GENERIC).confidence for n in (1, 6)]
    assert 0 < found[0] < found[1] < 1


def test_solving_twice_gives_the_same():
    frames = roll_of(known_film(0.95, 1.05), (0.03, 0.0, 0.02), count=5, seed=8)
    assert solve_roll(frames, GENERIC) == solve_roll(frames, GENERIC)


def test_gain_of_the_scanner_leaves_the_colour():
    """A gain per channel adds one figure to all log light, base and pictures alike."""
    density = np.stack(roll_of(known_film(1.05, 0.95), (0.03, 0.0, -0.04), count=8, seed=6))
    base = np.array([0.21, 0.63, 0.88])
    results = []
    for gains in ((1.0, 1.0, 1.0), (0.85, 1.0, 1.15), (1.15, 0.85, 0.9)):
        gate = np.array(gains) * 0.8
        view = np.full((8 + 40, 400, 3), base, float)
        view[:8] += density
        light = (gate * 10**-view).astype(np.float32)
        illumination = Illumination((0.0, 0.0, 0.0), tuple(map(float, gate)))
        guess = tuple(map(float, gate * 10**-base))
        outside = np.zeros(light.shape[:2], bool)
        outside[8:] = True
        found = measure_base(light, illumination, guess, 10.0, outside)
        assert found is not None
        assert found.density == pytest.approx(base, abs=1e-4)
        above = density_above(light, found)
        results.append(solve_roll(list(above[:8]), GENERIC))
    for other in results[1:]:
        assert other.slopes() == pytest.approx(results[0].slopes(), rel=2e-3)
        assert other.balance == pytest.approx(results[0].balance, abs=2e-3)


@given(st.floats(-2.0, 2.0), st.integers(0, 100))
def test_exposure_of_the_roll_cancels(stops, seed):
    """A roll exposed so many stops more is shown as light as one that was not."""
    plain = from_profile(GENERIC)
    frames = scenes(5, seed)
    middles = []
    for factor in (1.0, 2.0**stops):
        seen = [developed(scene * factor, GENERIC.curves) for scene in frames]
        shown = with_exposure(plain, seen)
        # Luminance of ACEScg (Academy S-2014-004), its second row, rounded.
        light = np.array([scene_light(d, shown) @ [0.272, 0.674, 0.054] for d in seen])
        middles.append(float(np.median(light)))
        assert shown.curves == plain.curves
        assert shown.balance == plain.balance
    assert middles[1] == pytest.approx(middles[0], rel=0.02)


def test_the_usual_picture_lies_a_little_under_middle_grey():
    colour = from_profile(GENERIC)
    night = np.full((400, 3), 0.13 / 60)
    usual = [np.full((400, 3), 0.05), np.full((400, 3), 0.05), np.full((400, 3), 0.05)]
    frames = [developed(scene, GENERIC.curves) for scene in [*usual, night]]
    shown = with_exposure(colour, frames)
    # 13 %: reflectance of the average scene (common practice, no source).
    assert scene_light(frames[0], shown) == pytest.approx(0.13, rel=2e-3)
    assert with_exposure(colour, []) == colour
    assert with_exposure(colour, [frames[0][:19]]) == colour


def test_slopes_are_those_of_each_curve():
    colour: RollColour = replace(from_profile(GENERIC), curves=known_film(1.1, 0.9))
    red, green, blue = GENERIC.slopes()
    assert colour.slopes() == pytest.approx((red * 1.1, green, blue * 0.9))


def test_a_roll_of_nights_is_lightened_by_two_and_a_half_stops_at_most():
    night = [scene * 2.0**-7 for scene in scenes(8, seed=2)]
    frames = [developed(scene, GENERIC.curves) for scene in night]
    plain = from_profile(GENERIC)
    assert with_exposure(plain, frames).exposure == pytest.approx(2.0**2.5)
    under = [developed(scene * 0.5, GENERIC.curves) for scene in scenes(8, seed=2)]
    normal = [developed(scene, GENERIC.curves) for scene in scenes(8, seed=2)]
    ratio = with_exposure(plain, under).exposure / with_exposure(plain, normal).exposure
    assert ratio == pytest.approx(2.0, rel=0.1)
