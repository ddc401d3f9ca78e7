from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.colour.likeness import likeness, statistics
from pipeline.colour.samples import gather
from pipeline.colour.trial import RATIOS, Trial, layer_logs
from pipeline.profile.film import find_film
from pipeline.profile.scanner import find_scanner, with_scanner
from tests.film_model.drawn import drawn
from tests.fitted.rolls import best_numbers, drawn_roll, seen

GENERIC = find_film("generic")
# Seeds that profiles/rolls.toml was neither fitted nor judged on.
FRESH = range(40000, 40024)


@pytest.fixture(scope="module")
def rolls() -> list[tuple[list[np.ndarray], np.ndarray]]:
    """Return rolls' pictures and the numbers that their films have."""
    films = [seen(drawn(seed)) for seed in FRESH]
    return [
        (drawn_roll(seed, film), best_numbers(film, GENERIC))
        for seed, film in zip(FRESH, films, strict=True)
    ]


def test_rolls_alike_tell_the_numbers_of_a_fresh_roll(rolls):
    told = np.array([likeness(gather(frames, GENERIC), GENERIC).numbers for frames, _ in rolls])
    numbers = np.array([best for _, best in rolls])
    off, alone = ((some**2).mean(axis=0) for some in (told - numbers, numbers - told.mean(axis=0)))
    assert (off[:2] < 0.5 * alone[:2]).all()
    # How far tones go is told by how far densities do.
    assert off[4] < 0.4 * alone[4]
    assert off.sum() < 0.6 * alone.sum()


def test_doubt_is_about_what_fresh_rolls_are_off(rolls):
    every = [(likeness(gather(frames, GENERIC), GENERIC), best) for frames, best in rolls]
    far = [
        (alike.numbers - best) @ np.linalg.inv(alike.covariance) @ (alike.numbers - best)
        for alike, best in every
    ]
    # Chi-squared of seven numbers: its mean.
    assert np.mean(far) == pytest.approx(7.0, rel=0.5)


def test_what_no_drawn_roll_is_like_tells_less(rolls):
    samples = gather(rolls[0][0], GENERIC)
    usual = likeness(samples, GENERIC).covariance
    odd = likeness(
        replace(samples, densities=samples.densities * [[[0.2]], [[1.0]], [[3.0]]]), GENERIC
    )
    assert (np.linalg.eigvalsh(odd.covariance - usual) > -1e-12).all()
    assert np.trace(odd.covariance) > 1.5 * np.trace(usual)


@given(st.integers(1, 6), st.randoms(use_true_random=False))
@settings(max_examples=10)
def test_statistics_do_not_ask_in_which_order_pictures_come(count, random):
    film = seen(drawn(7))
    frames = drawn_roll(40001, film)[:count]
    shuffled = frames.copy()
    random.shuffle(shuffled)
    one, other = (statistics(gather(some, GENERIC), GENERIC) for some in (frames, shuffled))
    assert one == pytest.approx(other, abs=1e-9)


def test_statistics_of_a_very_long_roll_are_those_of_some_of_its_pictures(rolls):
    one = gather(rolls[1][0], GENERIC)
    long = replace(
        one, densities=np.tile(one.densities, (1, 40, 1)), weight=np.tile(one.weight, 40)
    )
    whole, some = statistics(long, GENERIC), statistics(one, GENERIC)
    # All that differs is how many there are.
    assert np.count_nonzero(np.abs(whole - some) > 0.05) == 1


def test_a_picture_of_one_tone_has_statistics_too():
    told = statistics(gather([np.full((400, 3), 0.6)], GENERIC), GENERIC)
    assert np.isfinite(told).all()


@pytest.mark.parametrize(
    "other", [replace(GENERIC, drawn=False), replace(GENERIC, unmask_strays=())]
)
def test_nothing_is_told_of_films_that_no_rolls_were_drawn_of(rolls, other):
    assert likeness(gather(rolls[0][0], other), other) is None


def test_rolls_alike_tell_the_same_film_through_a_scanner_s_profile(rolls):
    other = with_scanner(GENERIC, find_scanner("broad-band"))
    densities = np.array([[0.3, 0.4, 0.5], [0.8, 0.7, 0.9], [1.2, 1.0, 1.1]]).T
    off, moved = [], []
    for frames, _ in rolls[:6]:
        plain = likeness(gather(frames, GENERIC), GENERIC).numbers
        through = likeness(gather(frames, GENERIC), other).numbers
        wanted = layer_logs(densities, Trial(GENERIC, plain))
        off.append(RATIOS @ (layer_logs(densities, Trial(other, through)) - wanted))
        moved.append(RATIOS @ (layer_logs(densities, Trial(other, plain)) - wanted))
    assert np.std(off) < 0.06
    assert np.std(off) < 0.4 * np.std(moved)


@pytest.mark.parametrize("name", ["generic-high-contrast", "generic-low-contrast"])
def test_rolls_alike_tell_the_same_film_about_a_steeper_or_flatter_one(rolls, name):
    other = find_film(name)
    densities = np.array([[0.3, 0.4, 0.5], [0.8, 0.7, 0.9], [1.2, 1.0, 1.1]]).T
    for frames, _ in rolls[:6]:
        plain = likeness(gather(frames, GENERIC), GENERIC).numbers
        about = likeness(gather(frames, other), other).numbers
        wanted = layer_logs(densities, Trial(GENERIC, plain))
        # Shoulders begin at one density in all of them, so the densest differs by a little.
        assert layer_logs(densities, Trial(other, about)) == pytest.approx(wanted, abs=0.03)
        assert np.abs(layer_logs(densities, Trial(other, plain)) - wanted).max() > 0.1


def test_no_pictures_tell_nothing():
    assert likeness(gather([], GENERIC), GENERIC) is None
