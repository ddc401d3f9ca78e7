"""Weighing of faults: Bayes' theorem on a known model, and the fitted one against the film model.

References: scipy.stats.multivariate_normal for the densities of the hypotheses.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from pipeline.diagnosis.model import (
    NORMAL,
    FaultModel,
    Hypothesis,
    fault_model,
    model_of,
    terms,
    weigh,
)
from pipeline.diagnosis.signs import SIGNS, RollSigns
from pipeline.profile.folder import profiles_folder
from tests.fitted.fault_bank import FAMILIES, faulty_rolls

COUNT = len(SIGNS)
NONE = (0.0, 0.0, 0.0)


def made_model(seed: int = 0, odd_prior: float = 1e-9) -> FaultModel:
    """Return a model of random means and spreads with three hypotheses."""
    rng = np.random.default_rng(seed)
    root = rng.normal(0.0, 0.1, (COUNT, COUNT))
    film = root @ root.T + 0.01 * np.eye(COUNT)
    return FaultModel(
        coefficients=rng.normal(0.0, 0.2, (len(terms(NORMAL, NONE, 0.0)), COUNT)),
        film=film,
        content=0.5 * film,
        usual_log_exposure=0.0,
        hypotheses=(
            Hypothesis((NORMAL,), NORMAL, NONE, 0.0, 0.6),
            Hypothesis(("under-developed",), "development", (-0.4,) * 3, 0.0, 0.3),
            Hypothesis(("retained-silver",), "silver", (0.5,) * 3, 0.1, 0.1),
        ),
        odd_prior=odd_prior,
    )


def mean_of(model: FaultModel, hypothesis: Hypothesis) -> np.ndarray:
    return terms(hypothesis.family, hypothesis.degree, hypothesis.log_exposure) @ model.coefficients


@given(st.integers(0, 50), st.integers(1, 40), st.sets(st.integers(0, COUNT - 1), max_size=15))
def test_probabilities_are_those_of_bayes(seed, frames, hidden):
    model = made_model(seed)
    rng = np.random.default_rng(seed + 1)
    values = mean_of(model, model.hypotheses[1]) + rng.normal(0.0, 0.1, COUNT)
    values[sorted(hidden)] = np.nan
    told = weigh(RollSigns(tuple(values), frames), model)
    seen = np.isfinite(values)
    spread = (model.film + model.content / frames)[np.ix_(seen, seen)]
    likely = [
        h.prior * multivariate_normal(mean_of(model, h)[seen], spread).pdf(values[seen])
        for h in model.hypotheses
    ]
    for hypothesis, value in zip(model.hypotheses, likely, strict=True):
        expected = value / sum(likely)
        assert told.probabilities[hypothesis.codes[0]] == pytest.approx(expected, abs=1e-5)


def test_a_roll_like_no_other_is_odd():
    model = made_model(odd_prior=0.01)
    near = mean_of(model, model.hypotheses[0])
    assert weigh(RollSigns(tuple(near), 20), model).odd < 0.01
    far = near + 12.0 * np.sqrt(np.diag(model.film)) * np.sign(np.arange(COUNT) % 2 - 0.5)
    assert weigh(RollSigns(tuple(far), 20), model).odd > 0.9


def test_nothing_seen_leaves_what_was_thought_before():
    model = made_model()
    told = weigh(RollSigns((math.nan,) * COUNT, 0), model)
    for hypothesis in model.hypotheses:
        assert told.probabilities[hypothesis.codes[0]] == pytest.approx(hypothesis.prior, abs=1e-6)


@given(st.integers(0, 20))
def test_a_good_roll_takes_off_what_is_the_films_own(seed):
    """A film that is off in its own way: by the good roll it is normal, alone it need not be."""
    model = made_model(seed)
    own = np.random.default_rng(seed).multivariate_normal(np.zeros(COUNT), model.film)
    normal, weak, _ = model.hypotheses
    aim = RollSigns(tuple(mean_of(model, normal) + own), 1000)
    same = weigh(RollSigns(tuple(mean_of(model, normal) + own), 1000), model, aim)
    assert same.probabilities[NORMAL] > 0.99
    thin = weigh(RollSigns(tuple(mean_of(model, weak) + own), 1000), model, aim)
    assert thin.probabilities["under-developed"] > 0.99


def test_infra_red_multiplies_the_odds_of_silver_alone():
    model = replace(made_model(), infrared_odds=(50.0, 0.1))
    signs = RollSigns((math.nan,) * COUNT, 0)
    for seen, factor in ((True, 50.0), (False, 0.1), (None, 1.0)):
        told = weigh(signs, model, silver_seen=seen).probabilities
        ratio = told["retained-silver"] / told[NORMAL]
        assert ratio == pytest.approx(factor * 0.1 / 0.6, rel=1e-3)


@pytest.mark.parametrize("family", FAMILIES)
def test_terms_of_a_family_vanish_with_its_degree(family):
    assert terms(family, NONE, -0.4) == pytest.approx(terms(NORMAL, NONE, -0.4))


def test_fitted_means_follow_the_film_model():
    """Rolls that the fit did not see, without their own scatter, lie about the fitted means."""
    model = fault_model()
    off, reach = [], []
    for roll in faulty_rolls(60, 4321, wide_share=0.0):
        mean = terms(roll.family, roll.degree, roll.log_exposure) @ model.coefficients
        spread = np.sqrt(np.diag(model.film + model.content / roll.signs.frames))
        off.append((np.array(roll.signs.values) - mean) / spread)
        reach.append(spread)
    off = np.array(off)
    assert np.abs(off.mean(axis=0)).max() < 0.6
    # Of a normal law 95 % lie within two deviations.
    assert (np.abs(off) < 2.0).mean() > 0.9


def test_priors_of_the_profile_sum_to_one_and_normal_leads():
    hypotheses = fault_model().hypotheses
    assert sum(h.prior for h in hypotheses) == pytest.approx(1.0)
    normal = sum(h.prior for h in hypotheses if h.codes == (NORMAL,))
    assert 0.5 < normal < 0.9


def test_covariances_of_the_profile_are_covariances():
    model = fault_model()
    for covariance in (model.film, model.content):
        assert (covariance == covariance.T).all()
        assert np.linalg.eigvalsh(covariance).min() > -1e-9


def test_signs_in_the_file_may_have_any_order():
    import tomllib

    document = tomllib.loads((profiles_folder() / "fault_signs.toml").read_text("utf-8"))
    order = list(np.random.default_rng(3).permutation(COUNT))
    mixed = dict(document)
    mixed["signs"] = [document["signs"][i] for i in order]
    for key in ("film", "content"):
        matrix = np.array(document[key]["covariance"])[np.ix_(order, order)]
        mixed[key] = document[key] | {"covariance": matrix.tolist()}
    rows = np.array(document["mean"]["coefficients"])[:, order]
    mixed["mean"] = {"coefficients": rows.tolist()}
    first, second = model_of(document), model_of(mixed)
    assert np.array_equal(first.film, second.film)
    assert np.array_equal(first.coefficients, second.coefficients)
