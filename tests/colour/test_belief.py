"""What a roll's pictures make probable: casts are the motif's, and doubt is told as it is.

Scenes, films and casts here are made up; `developed` in test_solve.py is the forward model.
Exponentials of matrices are held against their power series, turns against differences.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.colour.belief import belief_of
from pipeline.colour.samples import Samples, gather
from pipeline.colour.solve import solve_roll
from pipeline.colour.trial import Trial, covariance, layer_logs, layer_turns, profile_trial
from tests.colour.test_solve import GENERIC, cast, developed, known_film, roll_of, scenes
from tests.fitted.photographs import photographs

# Chroma differences seen by eye begin about here in a middle grey.
SEEN_LOG_E = 0.028


def tinted(cast_log_e: tuple[float, float, float], count: int, seed: int = 0) -> list[np.ndarray]:
    """Return densities of a roll all of whose scenes have one cast, light and dark alike."""
    tint = 10.0 ** np.array(cast_log_e)
    return [developed(scene * tint, GENERIC.curves) for scene in scenes(count, seed)]


# A green filter over the lens, tungsten light, blue hour: beyond what films and scanners have.
@pytest.mark.parametrize("shift", [(-0.45, 0.0, -0.6), (0.4, 0.0, -0.5), (-0.45, 0.0, 0.45)])
def test_a_cast_over_all_pictures_is_left_in_them(shift):
    solved, plain = (solve_roll(tinted(s, 24), GENERIC) for s in (shift, (0.0, 0.0, 0.0)))
    assert solved.cast > 0.5
    # The profile alone has no error here: what is taken out of the cast is error.
    assert np.abs(cast(solved))[1].max() < 0.5 * np.abs(shift).max()
    assert plain.cast < 0.1
    assert solved.doubt_log_e > 1.5 * plain.doubt_log_e


def test_what_is_green_is_sooner_the_motif_s_than_what_is_magenta():
    """A wood fills pictures with green; nothing in nature fills them with magenta."""
    shift = np.array([0.4, 0.0, 0.4])
    green, magenta = (solve_roll(tinted(tuple(s * shift), 24), GENERIC) for s in (-1, 1))
    assert green.cast > 2.0 * magenta.cast
    assert np.abs(cast(green))[1].max() < 0.8 * np.abs(cast(magenta))[1].max()


def test_a_cast_that_films_can_have_is_taken_out():
    film, balance = known_film(1.08, 0.93), (0.06, 0.0, 0.05)
    solved = solve_roll(roll_of(film, balance, count=24, seed=1), GENERIC)
    assert solved.cast < 0.25
    assert np.abs(cast(solved, film, balance))[1].max() < SEEN_LOG_E


def test_the_lightest_places_tell_a_film_from_subjects_of_one_colour():
    """White highlights in pictures of red brick, which hardly tints what is lightest."""
    rng = np.random.default_rng(11)
    frames, whites = [], []
    for _ in range(24):
        light = 10.0 ** rng.uniform(-1.6, -0.5, (400, 1))
        brick = light * [1.0, 0.45, 0.3] * 10.0 ** rng.normal(0.0, 0.06, (400, 3))
        white = 10.0 ** rng.uniform(-0.2, 0.1, (30, 1)) * 10.0 ** rng.normal(0.0, 0.01, (30, 3))
        frames.append(developed(brick, GENERIC.curves))
        whites.append(developed(np.concatenate([brick, white]), GENERIC.curves))
    plain, lit = (np.abs(cast(solve_roll(some, GENERIC))[1]).max() for some in (frames, whites))
    assert lit < 0.5 * plain


def test_many_pictures_never_tell_more_than_the_light_of_a_roll_lets_them():
    # Pictures under light of their own each, since alike ones share a weight.
    lights = np.random.default_rng(5).normal(0.0, 0.03, (256, 1)) * [1.0, 0.0, -1.0]
    frames = [
        developed(s * 10.0**t, GENERIC.curves) for s, t in zip(scenes(256, 0), lights, strict=True)
    ]
    doubts = [solve_roll(frames[:n], GENERIC).doubt_log_e for n in (1, 4, 16, 64, 256)]
    assert doubts[0] > doubts[2]
    # Light that all have in common stays: its spread is a twentieth of the variance of pictures.
    assert doubts[-1] > 0.02
    assert doubts[-1] > 0.95 * doubts[-2]


def test_copies_of_one_picture_tell_as_much_as_one():
    picture = tinted((0.1, 0.0, -0.1), 1)
    one, many = (solve_roll(picture * count, GENERIC) for count in (1, 30))
    assert many.doubt_log_e == pytest.approx(one.doubt_log_e, rel=0.05)
    assert many.balance == pytest.approx(one.balance, abs=0.01)


@given(st.floats(0.02, 0.2))
def test_colours_about_neutral_however_wide_leave_the_slopes(spread):
    """Steeper curves make all colours paler, which is no evidence for them."""
    rng = np.random.default_rng(3)
    frames = []
    for _ in range(12):
        grey = 10 ** rng.uniform(-1.5, 0.0, (400, 1))
        frames.append(developed(grey * 10 ** rng.normal(0, spread, (400, 3)), GENERIC.curves))
    belief = belief_of(gather(frames, GENERIC), GENERIC)
    assert np.abs(belief.mean[:2]).max() < 0.07


def test_no_evidence_leaves_the_profile_s_spread():
    loose = replace(GENERIC, slope_spread=0.1, speed_spread_log_e=0.05, contrast_spread=0.15)
    nothing = Samples(gather(tinted((0, 0, 0), 1), loose).densities, np.zeros(1))
    belief = belief_of(nothing, loose)
    assert belief.mean == pytest.approx(np.zeros(7), abs=1e-9)
    assert belief.covariance == pytest.approx(covariance(loose), rel=1e-6)
    # Of green's slope a layer's own part, which is half of what two differ by, and that of all.
    all_slopes = np.hypot(0.15, 0.1 / 2**0.5)
    told = np.square([0.1, 0.1, 0.05, 0.05, all_slopes, 1, 1])
    assert np.diag(belief.covariance) == pytest.approx(told)


def test_a_known_film_is_hardly_moved():
    film, balance = known_film(1.2, 0.85), (0.2, 0.0, -0.2)
    sure = replace(
        GENERIC, slope_spread=0.005, speed_spread_log_e=0.005, contrast_spread=0.0, drawn=False
    )
    solved = solve_roll(roll_of(film, balance, count=20, seed=2), sure)
    assert np.abs(cast(solved)).max() < 0.02


numbers_of_trials = st.lists(st.floats(-1.0, 1.0), min_size=7, max_size=7).map(
    lambda units: np.array(units) * [0.15, 0.15, 0.1, 0.1, 0.3, 1.5, 1.5]
)


@given(numbers_of_trials)
def test_layers_turn_as_told(numbers):
    densities = gather([developed(s, GENERIC.curves) for s in scenes(2, seed=9)], GENERIC).densities
    trial = Trial(GENERIC, numbers)
    logs, turns = layer_turns(densities, trial)
    assert logs == pytest.approx(layer_logs(densities, trial), abs=1e-12)
    change = 0.002 * np.array([1.0, -1.0, 0.5, -0.5, 1.0, 2.0, -2.0])
    ahead, behind = (layer_logs(densities, Trial(GENERIC, numbers + d)) for d in (change, -change))
    # Where a layer is in the base its curve has a corner, and its exposure is held from below.
    inside = np.abs(np.tensordot(change, turns, 1)) < 0.02
    assert inside.mean() > 0.8
    expected = (ahead - behind) / 2.0
    assert np.tensordot(change, turns, 1)[inside] == pytest.approx(expected[inside], abs=1e-3)


@given(numbers_of_trials)
def test_unmasking_strays_by_the_exponential_of_its_ways(numbers):
    stray = np.tensordot(numbers[5:], np.array(GENERIC.unmask_strays), 1)
    series, term = np.eye(3), np.eye(3)
    for n in range(1, 30):
        term = term @ stray / n
        series = series + term
    found = np.array(Trial(GENERIC, numbers).unmask)
    assert found == pytest.approx(series @ np.array(GENERIC.unmask), abs=1e-9)
    # Equal densities stay, so that greys are left to the curves.
    assert found.sum(axis=1) == pytest.approx(np.ones(3), abs=2e-3)


def test_the_profile_is_the_trial_of_zeros():
    trial = profile_trial(GENERIC)
    assert np.array(trial.unmask) == pytest.approx(np.array(GENERIC.unmask), abs=1e-12)
    assert trial.curves == GENERIC.curves
    known = replace(GENERIC, unmask_strays=())
    assert profile_trial(known).unmask == GENERIC.unmask
    assert len(profile_trial(known).numbers) == 5


@pytest.mark.parametrize("far", [-1.5, 1.5])
def test_a_scanner_whose_bands_overlap_more_or_less_is_told_by_how_pale_colours_are(far):
    """Rolls of usual photographs, as scanners see them whose bands mix layers more or less."""
    stray = np.array(Trial(GENERIC, np.array([0.0, 0.0, 0.0, 0.0, 0.0, far, 0.0])).unmask)
    to_scanner = np.linalg.inv(stray) @ np.array(GENERIC.unmask)
    scenes_seen = [photograph.colours for photograph in photographs(odd=True) * 2]
    usual = [developed(scene, GENERIC.curves) for scene in scenes_seen]
    # Steeper curves make colours stronger as well.
    known = replace(GENERIC, slope_spread=0.0, contrast_spread=0.0)
    numbers = [
        belief_of(gather(frames, known), known).mean[5]
        for frames in (usual, [seen @ to_scanner.T for seen in usual])
    ]
    # Heavy tails, for the sake of neutrals among colours, tell a spread by a third to all of it.
    assert 0.33 < (numbers[1] - numbers[0]) / far < 1.1


def test_unmasking_known_by_a_scanner_profile_is_not_looked_for():
    film, balance = known_film(1.05, 0.95), (0.03, 0.0, 0.0)
    known = replace(GENERIC, unmask_strays=())
    assert solve_roll(roll_of(film, balance, 8, seed=1), known).unmask == known.unmask
