"""The likeliest answer to a chain of codes, against trying every answer there is."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from pipeline.edge_code import bits_of, encode, fixed_places, load_edge_format
from pipeline.edge_odds import likeliest
from tests.drawn_edge import reference_text, reference_tracks

LAYOUT = load_edge_format()


def readings(product, generation, step, away, deviation, seed):
    """Noisy bits of codes along a chain, from the encoder of zxing-cpp."""
    film = f"{product}-{generation}"
    bits = np.array([reference_tracks(reference_text(film, step + k))[1] for k in away])
    noise = np.random.default_rng(seed).normal(0.0, deviation, bits.shape)
    return bits - 0.5 + noise


def every_answer(soft, away, products, generations):
    """Fit of every answer among some films by the definition: codes times readings, summed."""
    answers = {}
    for product in products:
        for generation in generations:
            for step in range(LAYOUT.steps):
                codes = [encode(LAYOUT, product, generation, step + k) for k in away]
                fit = np.sum(np.where(codes, 1.0, -1.0) * np.clip(soft, -0.5, 0.5))
                answers[product, generation, step] = float(fit)
    return answers


def weight(soft):
    """a / sigma^2 of the bits that never change, sigma at its upper 99 percent limit.

    Reference: chi-squared quantiles of scipy.stats.
    """
    fixed = fixed_places(LAYOUT)
    known = soft[:, fixed] * np.where(bits_of(LAYOUT.data)[fixed], 1.0, -1.0)
    freedom = known.size - 1
    least = chi2.ppf(0.01, freedom) / freedom
    return known.mean() / (known.var(ddof=1) / least + 0.05**2)


@given(
    st.integers(1, 127),
    st.integers(0, 15),
    st.integers(0, 127),
    st.lists(st.integers(-6, 6), min_size=1, max_size=6, unique=True),
)
def test_clean_codes_give_their_own_answer_at_great_odds(product, generation, step, away):
    soft = readings(product, generation, step, away, 0.02, 1)
    answer, odds = likeliest(soft, np.array(away), LAYOUT)
    assert answer == (product, generation, step)
    assert odds > 100.0


@settings(max_examples=12)
@given(st.integers(4, 7), st.integers(8, 11), st.integers(0, 127), st.integers(0, 99))
def test_answer_and_margin_are_those_of_trying_everything(product, generation, step, seed):
    away = [0, 1, 3]
    soft = readings(product, generation, step, away, 0.3, seed)
    # Only films within reach of the noise are tried: the other bits are made sure.
    soft[:, 6:10], soft[:, 14:16] = -0.5, (0.5, -0.5)
    tried = every_answer(soft, away, range(0, 8), range(8, 12))
    ranked = sorted(tried.values())
    answer, odds = likeliest(soft, np.array(away), LAYOUT)
    assert tried[answer] == pytest.approx(ranked[-1])
    assert odds == pytest.approx((ranked[-1] - ranked[-2]) * weight(soft), rel=0.05, abs=1e-6)


def test_more_noise_means_lower_odds():
    away = [0, 1, 2]
    odds = [
        likeliest(readings(115, 10, 22, away, deviation, 3), np.array(away), LAYOUT)[1]
        for deviation in (0.05, 0.15, 0.3)
    ]
    assert odds[0] > odds[1] > odds[2] > 0.0


def test_two_codes_that_differ_in_all_leave_no_odds_to_speak_of():
    soft = np.concatenate([readings(115, 10, 22, [0], 0.05, 1), readings(12, 5, 105, [0], 0.05, 2)])
    assert likeliest(soft, np.array([0, 1]), LAYOUT)[1] < 12.0


def test_bits_that_say_nothing_have_no_odds():
    assert likeliest(np.zeros((3, 31)), np.arange(3), LAYOUT)[1] == 0.0


@pytest.mark.parametrize("deviation", [0.25, 0.35])
def test_great_odds_are_never_wrong(deviation):
    # exp(-12) for each of some hundred near answers: no wrong one in a thousand trials.
    rng = np.random.default_rng(7)
    believed = 0
    for trial in range(500):
        truth = (int(rng.integers(1, 128)), int(rng.integers(16)), int(rng.integers(128)))
        away = list(range(int(rng.integers(1, 5))))
        soft = readings(*truth, away, deviation, trial)
        answer, odds = likeliest(soft, np.array(away), LAYOUT)
        believed += odds >= 12.0
        assert odds < 12.0 or answer == truth
    assert believed > 5
