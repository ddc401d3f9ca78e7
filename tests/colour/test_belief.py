"""What a roll's pictures make probable: casts are the motif's, and doubt is told as it is.

Scenes, films and casts here are made up; `developed` in test_solve.py is the forward model. The
places of neutrals are held against `tests.fitted.photographs`, which has the law written apart.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.colour.belief import belief_of
from pipeline.colour.neutral import Samples, gather, neutrals
from pipeline.colour.solve import solve_roll
from pipeline.colour.trial import Trial, covariance, layer_logs
from pipeline.profile.film import find_film
from tests.colour.test_solve import GENERIC, cast, developed, known_film, roll_of, scenes
from tests.fitted.photographs import neutral_places

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


def test_a_cast_that_films_can_have_is_taken_out():
    film, balance = known_film(1.08, 0.93), (0.06, 0.0, 0.05)
    solved = solve_roll(roll_of(film, balance, count=24, seed=1), GENERIC)
    assert solved.cast < 0.25
    assert np.abs(cast(solved, film, balance))[1].max() < SEEN_LOG_E


def test_many_pictures_never_tell_more_than_the_light_of_a_roll_lets_them():
    doubts = [solve_roll(tinted((0, 0, 0), n), GENERIC).doubt_log_e for n in (1, 4, 16, 64, 256)]
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
    loose = replace(GENERIC, slope_spread=0.1, speed_spread_log_e=0.05)
    nothing = Samples(gather(tinted((0, 0, 0), 1), loose).layers, np.zeros(1))
    belief = belief_of(nothing, loose)
    assert belief.mean == pytest.approx(np.zeros(4), abs=1e-9)
    assert belief.covariance == pytest.approx(covariance(loose), rel=1e-6)
    assert np.diag(belief.covariance) == pytest.approx(np.square([0.1, 0.1, 0.05, 0.05]))


def test_a_known_film_is_hardly_moved():
    film, balance = known_film(1.2, 0.85), (0.2, 0.0, -0.2)
    sure = replace(GENERIC, slope_spread=0.005, speed_spread_log_e=0.005)
    solved = solve_roll(roll_of(film, balance, count=20, seed=2), sure)
    assert np.abs(cast(solved)).max() < 0.02


@pytest.mark.parametrize("name", ["generic", "generic-low-contrast"])
def test_neutrals_lie_where_the_law_written_apart_finds_them(name):
    film = find_film(name)
    samples = gather([developed(s, GENERIC.curves) for s in scenes(3, seed=7)], film)
    seen = neutrals(samples, np.zeros(4), np.zeros(4), 0.06, film)
    logs = layer_logs(samples.layers, Trial(film, np.zeros(4)))
    expected = [neutral_places(logs[:, frame].T) for frame in range(3)]
    assert seen.place == pytest.approx(np.array(expected), abs=0.01)


@given(st.lists(st.floats(-0.03, 0.03), min_size=4, max_size=4))
def test_neutrals_move_as_told(change):
    samples = gather([developed(s, GENERIC.curves) for s in scenes(4, seed=9)], GENERIC)
    first = neutrals(samples, np.zeros(4), np.zeros(4), 0.25, GENERIC)
    moved = neutrals(samples, np.array(change), np.zeros(4), 0.25, GENERIC)
    told = first.place + first.moved @ np.array(change)
    assert moved.place == pytest.approx(told, abs=0.01)
