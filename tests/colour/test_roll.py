"""What of a roll's pictures its colour is solved from."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.colour.solve import solve_roll
from pipeline.profile.film import find_film
from pipeline.survey import samples as survey_samples
from pipeline.survey.samples import picture_samples


def strips_of(pictures: list[np.ndarray], kind: str = "picture") -> list[SimpleNamespace]:
    frames = [SimpleNamespace(kind=kind, samples=samples) for samples in pictures]
    return [SimpleNamespace(frames=frames[at : at + 6]) for at in range(0, len(frames), 6)]


@given(st.lists(st.integers(0, 900), min_size=1, max_size=20), st.integers(50, 4000))
def test_samples_of_long_rolls_are_thinned_evenly(counts, most):
    pictures = [np.arange(3.0 * count).reshape(-1, 3) for count in counts]
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(survey_samples, "_MOST_SAMPLES", most)
        told = picture_samples(strips_of(pictures))
    assert sum(map(len, told)) <= most + len(pictures)
    step = max(1, -(-sum(counts) // most))
    for samples, whole in zip(told, pictures, strict=True):
        np.testing.assert_array_equal(samples, whole[::step])


def test_blank_frames_tell_nothing():
    assert picture_samples(strips_of([np.ones((9, 3))], "blank")) == []


def test_a_long_roll_has_the_colour_of_a_short_one_like_it(monkeypatch):
    # Pictures of the same kind, many or few, were exposed on the same film.
    film = find_film("generic")
    dice = np.random.default_rng(5)

    def pictures(count: int) -> list[np.ndarray]:
        found = []
        for _ in range(count):
            grey = dice.normal(-0.8, 0.4, (600, 1)) + dice.normal(0.0, 0.05, (600, 3))
            layers = [
                curve.density(10.0 ** (grey[:, k] + (0.08, 0.0, -0.1)[k]))
                for k, curve in enumerate(film.curves)
            ]
            found.append(np.stack(layers, -1) @ np.linalg.inv(film.unmask).T)
        return found

    some = solve_roll(picture_samples(strips_of(pictures(40))), film)
    monkeypatch.setattr(survey_samples, "_MOST_SAMPLES", 40 * 150)
    thinned = solve_roll(picture_samples(strips_of(pictures(80))), film)
    assert thinned.balance == pytest.approx(some.balance, abs=0.01)
