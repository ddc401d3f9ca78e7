"""Weighing of faults: Bayes' theorem and Student's law on the shipped model.

References: scipy.stats.multivariate_t for the densities of the hypotheses, and the textbook formula
of a normal law given a part of it.
"""

import math
import tomllib
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_t

from pipeline.diagnosis.fit import FaultModel, FilmPrior, fault_model, film_by_aim, linear, model_of
from pipeline.diagnosis.hypotheses import NORMAL
from pipeline.diagnosis.model import weigh
from pipeline.diagnosis.response import FAMILIES, Fault, response
from pipeline.diagnosis.shown import Shown, together
from pipeline.diagnosis.signs import SIGNS, RollSigns
from pipeline.profile.folder import profiles_folder

COUNT = len(SIGNS)


def document() -> dict:
    return tomllib.loads((profiles_folder() / "fault_signs.toml").read_text("utf-8"))


@cache
def small_model() -> FaultModel:
    """Return a model of few hypotheses, in which every film is as usual."""
    told = document()
    told["faults"] = [f | {"degrees": f["degrees"][2:4] or [1.0]} for f in told["faults"][1:]]
    told["faults"] += document()["faults"][:1]
    told["exposure"]["step"] = 0.7
    told["unlike"]["prior"] = 1e-12
    return model_of(told)


def covariance(model: FaultModel, index: int, frames: int) -> np.ndarray:
    slope = model.usual.slope[index]
    spread = slope @ np.diag(model.unknowns.spreads(frames) ** 2) @ slope.T
    return spread + np.diag(model.errors**2)


def place(model: FaultModel, code: str, degree: float | None = None) -> int:
    """Return a hypothesis of one code at the usual exposure, of the degree nearest to one."""
    own = [i for i, h in enumerate(model.hypotheses) if h.codes == (code,)]
    usual = model.usual_log_exposure

    def off(i: int) -> tuple[float, float]:
        h = model.hypotheses[i]
        return abs(h.log_exposure - usual), abs(h.degree - (h.degree if degree is None else degree))

    return min(own, key=off)


def signs_of(model: FaultModel, code: str, degree: float | None = None, frames: int = 20):
    return RollSigns(tuple(model.usual.mean[place(model, code, degree)]), frames)


@given(st.integers(0, 50), st.integers(1, 40), st.sets(st.integers(0, COUNT - 1), max_size=15))
@settings(max_examples=20)
def test_probabilities_are_those_of_bayes(seed, frames, hidden):
    model = small_model()
    values = np.array(signs_of(model, "under-developed").values)
    values += np.random.default_rng(seed).normal(0.0, 0.1, COUNT)
    values[sorted(hidden)] = np.nan
    told = weigh(RollSigns(tuple(values), frames), model)
    seen = np.isfinite(values)
    likely = [
        h.prior
        * multivariate_t(
            model.usual.mean[i][seen], covariance(model, i, frames)[np.ix_(seen, seen)],
            df=model.freedom,
        ).pdf(values[seen])
        for i, h in enumerate(model.hypotheses)
    ]  # fmt: skip
    for code, probability in told.probabilities.items():
        own = [p for h, p in zip(model.hypotheses, likely, strict=True) if code in h.codes]
        assert probability == pytest.approx(sum(own) / sum(likely), abs=1e-5)


def test_films_unlike_the_usual_count_by_how_probable_they_are():
    """A mixture of laws, one for each kind of film, by scipy's density of each."""
    model = replace(small_model(), films=fault_model().films)
    values = np.array(signs_of(model, "high-base").values)
    told = weigh(RollSigns(tuple(values), 20), model)
    film, likely = model.unknowns.film(), []
    for index, hypothesis in enumerate(model.hypotheses):
        slope, kinds = model.usual.slope[index], []
        for kind in model.films:
            spreads = model.unknowns.spreads(20)
            spreads[film] = kind.spreads
            cover = slope @ np.diag(spreads**2) @ slope.T + np.diag(model.errors**2)
            law = multivariate_t(model.usual.mean[index], cover, df=model.freedom)
            kinds.append(kind.probability * law.pdf(values))
        likely.append(hypothesis.prior * np.array(kinds))
    each = np.array(likely) / np.sum(likely)
    for code, probability in told.probabilities.items():
        own = [code in h.codes for h in model.hypotheses]
        assert probability == pytest.approx(each[own].sum(), abs=1e-6)
    assert told.unlike == pytest.approx(each[:, 1:].sum(), abs=1e-6)


def test_a_film_unlike_in_one_respect_is_as_usual_in_the_others():
    model = fault_model()
    usual, *odd = (kind.spreads for kind in model.films)
    wider = [spreads > usual for spreads in odd]
    assert all(wider[-1])
    assert (np.sum(wider[:-1], axis=0) <= 1).all()
    base = model.unknowns.places()["base"]
    assert [each[base].all() for each in wider[:-1]].count(True) == 1
    assert sum(kind.probability for kind in model.films) == pytest.approx(1.0)


@pytest.mark.parametrize("base", [(0.43, 0.64, 0.70), (0.40, 0.62, 0.75), (0.45, 0.58, 0.62)])
def test_a_red_base_beyond_the_published_is_no_fault_where_all_else_is_usual(base):
    """A grey support beneath a weak mask: denser in red than sources.toml [d-min], in no other."""
    model = fault_model()
    values = np.array(signs_of(model, NORMAL).values)
    values[[SIGNS.index(f"base_{channel}") for channel in ("red", "green", "blue")]] = base
    told = weigh(RollSigns(tuple(values), 20), model)
    assert told.probabilities[NORMAL] >= 0.5
    assert told.unlike > 0.5


def test_nothing_seen_leaves_what_was_thought_before():
    model = fault_model()
    told = weigh(RollSigns((math.nan,) * COUNT, 0), model)
    normal = sum(h.prior for h in model.hypotheses if h.codes == (NORMAL,))
    assert told.probabilities[NORMAL] == pytest.approx(normal, abs=1e-6)


def test_films_far_from_the_usual_are_doubted_and_not_called_faulty():
    model = fault_model()
    doubted, blamed = 0, 0
    for seed in range(8):
        own = np.random.default_rng(seed).normal(0.0, model.films[-1].spreads)
        near = linear(model.unknowns, model.hypotheses, own).mean[place(model, NORMAL)]
        told = weigh(RollSigns(tuple(near), 20), model)
        doubted += told.unlike > 0.5
        blamed += any(p >= 0.5 for code, p in told.probabilities.items() if code != NORMAL)
    assert doubted >= 6
    assert blamed <= 1
    before = 1.0 - model.films[0].probability
    assert weigh(signs_of(model, NORMAL), model).unlike < 0.2 * before


@pytest.mark.parametrize(
    ("code", "degree"),
    [
        (NORMAL, None), ("under-developed", -0.47), ("over-developed", 0.35), ("high-base", 0.25),
        ("retained-silver", 0.4),
    ],
)  # fmt: skip
def test_beside_a_good_roll_each_fault_is_told_from_the_others(code, degree):
    model = fault_model()
    aim = signs_of(model, NORMAL, frames=24)
    told = weigh(signs_of(model, code, degree), model, aim)
    assert told.aimed
    assert max(told.probabilities, key=lambda each: told.probabilities[each]) == code
    assert told.probabilities[code] > 0.9


@given(st.integers(0, 30))
@settings(max_examples=10)
def test_a_good_roll_takes_off_what_is_the_films_own(seed):
    """A film that is off in its own way: beside a good roll of it, it is as any other."""
    model = fault_model()
    film = model.unknowns.film()
    spreads = model.unknowns.spreads(1)[film]
    own = np.random.default_rng(seed).normal(0.0, 0.7 * spreads)
    near = linear(model.unknowns, model.hypotheses, own).mean
    aim = RollSigns(tuple(near[place(model, NORMAL)]), 24)
    sound = weigh(RollSigns(tuple(near[place(model, NORMAL)]), 20), model, aim)
    assert sound.probabilities[NORMAL] > 0.9
    thin = RollSigns(tuple(near[place(model, "under-developed", -0.35)]), 20)
    assert weigh(thin, model, aim).probabilities["under-developed"] > 0.9


def test_a_film_by_its_aim_is_that_of_a_normal_law_given_a_part_of_it():
    model = small_model()
    normal = replace(model.hypotheses[place(model, NORMAL)], prior=1.0)
    alone = replace(model, hypotheses=(normal,))
    index, film = place(model, NORMAL), model.unknowns.film()
    slope = model.usual.slope[index]
    shift = 0.5 * np.sqrt(np.diag(covariance(model, index, 24)))
    alone = replace(alone, films=(FilmPrior(1.0, model.unknowns.spreads(1)[film]),))
    told = film_by_aim(RollSigns(tuple(model.usual.mean[index] + shift), 24), alone)
    before = np.diag(model.unknowns.spreads(24)[film] ** 2)
    gain = before @ slope[:, film].T @ np.linalg.inv(covariance(model, index, 24))
    # The signs bend a little in the film, and the slopes are taken anew where it is found.
    assert told.mean == pytest.approx(gain @ shift, abs=0.02)
    after = before - gain @ slope[:, film] @ before
    assert np.diag(told.covariance) == pytest.approx(np.diag(after), rel=0.15)


def test_silver_of_the_undercoat_that_lifts_the_base_leaves_silver_the_likeliest():
    """Failed bleach leaves it too, and yellow silver in blue: no aim of another film, no fog."""
    model = fault_model()
    good = signs_of(model, NORMAL, frames=24)
    roll = np.array(signs_of(model, "retained-silver", 0.45).values)
    usual = model.unknowns.places()["silver_base"]
    assert usual.stop - usual.start == 4
    for channel, lift in (("red", 0.11), ("green", 0.11), ("blue", 0.15)):
        at = SIGNS.index(f"base_{channel}")
        roll[at] = good.values[at] + lift
    told = weigh(RollSigns(tuple(roll), 20), model, good)
    assert told.aimed
    assert told.probabilities["retained-silver"] > 0.8


def test_an_aim_whose_base_lies_where_no_fault_takes_it_is_of_another_film():
    model = fault_model()
    good = signs_of(model, NORMAL, frames=24)
    other = np.array(good.values)
    blue, green = SIGNS.index("base_blue"), SIGNS.index("base_green")
    # A weaker mask: no fault makes a film clearer in blue and green than a good roll of it.
    other[[blue, green]] -= (0.3, 0.2)
    told = weigh(RollSigns(tuple(other), 20), model, good)
    assert told.other_aim > 0.5
    assert not told.aimed
    assert told.probabilities == weigh(RollSigns(tuple(other), 20), model).probabilities
    assert weigh(good, model, good).other_aim < 0.01


@pytest.mark.parametrize("seed", range(6))
def test_what_films_that_are_akin_differ_by_is_no_fault_beside_each_other(seed):
    """Two films half as far from each other as from the usual: the aim is not used, or no alarm."""
    model = fault_model()
    rng, spreads = np.random.default_rng([seed, 4]), model.films[0].spreads
    first = rng.normal(0.0, 0.7 * spreads)
    second = first + rng.normal(0.0, 0.5 * spreads)
    good, roll = (
        RollSigns(
            tuple(linear(model.unknowns, model.hypotheses, film).mean[place(model, NORMAL)]), n
        )
        for film, n in ((first, 24), (second, 20))
    )
    told = weigh(roll, model, good)
    assert not told.aimed
    assert told.probabilities[NORMAL] > 0.5


@pytest.mark.parametrize("code", ["under-developed", "retained-silver"])
def test_a_roll_held_against_a_good_one_is_doubted_as_one_held_against_a_log_is_not(code):
    """Bayes' theorem: odds of a fault of process go with what they are beforehand."""
    model = replace(fault_model(), other_aim=(1e-12, 1e-12))
    good = signs_of(model, NORMAL, frames=24)
    roll = signs_of(model, "under-developed", -0.16)
    told, of_log = (weigh(roll, model, good, None, True, logged) for logged in (False, True))
    first, second = (
        each.probabilities[code] / each.probabilities[NORMAL] for each in (told, of_log)
    )
    assert first / second == pytest.approx(model.doubted, rel=1e-6)
    assert told.other_aim == of_log.other_aim
    assert model.doubted > 2.0


def test_doubt_of_an_aim_that_is_used_counts_by_its_probability():
    """Bayes' theorem: an aim is of another film beforehand with some probability, more or less."""
    model = fault_model()
    good = signs_of(model, NORMAL, frames=24)
    roll = signs_of(model, "under-developed", -0.24)
    sure = weigh(roll, replace(model, other_aim=(1e-12, 1e-12)), good).probabilities
    told = weigh(roll, replace(model, other_aim=(0.5, 0.5)), good)
    less = weigh(roll, replace(model, other_aim=(0.2, 0.2)), good)
    assert told.aimed
    assert told.other_aim is not None
    assert less.other_aim is not None
    assert told.other_aim > less.other_aim > 1e-4
    for code, probability in told.probabilities.items():
        by_aim = (1.0 - told.other_aim) * sure[code]
        assert by_aim - 1e-6 <= probability <= by_aim + told.other_aim + 1e-6


def test_a_code_that_says_the_same_film_leaves_the_doubt_of_the_scanner():
    """Bayes' theorem: odds of another film or scanner go with those beforehand."""
    model = fault_model()
    good = signs_of(model, NORMAL, frames=24)
    roll = signs_of(model, "under-developed", -0.24)
    any_film, known = (weigh(roll, model, good, None, film_known) for film_known in (False, True))
    assert any_film.other_aim is not None
    assert known.other_aim is not None

    def odds(p: float) -> float:
        return p / (1.0 - p)

    before = odds(model.other_aim[0]) / odds(model.other_aim[1])
    assert odds(any_film.other_aim) / odds(known.other_aim) == pytest.approx(before, rel=1e-6)


def test_bleach_that_was_skipped_is_silver_beside_a_good_roll():
    """All silver left in: as dense as the dyes together (tests/film_model/films.toml)."""
    model = fault_model()
    unknowns = model.unknowns
    state = np.zeros((1, len(unknowns.spreads(1))))
    degree = {name: np.array([1.35 * (name == "silver")]) for name in FAMILIES}
    fault = Fault(degree, np.array([model.usual_log_exposure]))
    signs = RollSigns(tuple(response(fault, unknowns.values(state))[0]), 20)
    told = weigh(signs, model, signs_of(model, NORMAL, frames=24))
    assert told.aimed
    assert told.probabilities["retained-silver"] > 0.9


def test_good_rolls_together_show_their_mean_and_all_their_pictures():
    model = fault_model()
    good = np.array(signs_of(model, NORMAL).values)
    hidden = np.where([name.startswith("densest_") for name in SIGNS], np.nan, good)
    both = together([
        Shown(RollSigns(tuple(good - 0.1), 12), frozenset({"7-1"}), 400.0),
        Shown(RollSigns(tuple(hidden + 0.1), 20), frozenset(), None),
    ])  # fmt: skip
    leader = ~np.isfinite(hidden)
    assert np.array(both.signs.values)[~leader] == pytest.approx(good[~leader])
    assert np.array(both.signs.values)[leader] == pytest.approx(good[leader] - 0.1)
    assert (both.signs.frames, both.films, both.ppi) == (32, {"7-1"}, 400.0)
    # More pictures of the film tell it better.
    one, more = (
        film_by_aim(RollSigns(tuple(good), n), model).covariance for n in (8, both.signs.frames)
    )
    assert np.trace(more) < np.trace(one)


def test_infra_red_multiplies_the_odds_of_silver_alone():
    model = fault_model()
    signs = RollSigns((math.nan,) * COUNT, 0)
    before = weigh(signs, model).probabilities
    for seen, factor in ((True, model.infrared_odds[0]), (False, model.infrared_odds[1])):
        told = weigh(signs, model, silver_seen=seen).probabilities
        ratio = told["retained-silver"] / told[NORMAL]
        assert ratio == pytest.approx(factor * before["retained-silver"] / before[NORMAL], rel=1e-3)


@pytest.mark.parametrize(("log_exposure", "dark"), [(-0.08, 0.6), (-0.08, 1.0), (0.1, 0.8)])
@pytest.mark.parametrize("seen", [slice(0, None), slice(0, 16)])
def test_a_roll_of_nights_is_sound_and_as_thin_a_roll_of_day_is_under_exposed(
    log_exposure, dark, seen
):
    model = fault_model()
    state = np.zeros((1, len(model.unknowns.spreads(1))))
    degree = {name: np.zeros(2) for name in FAMILIES}
    fault = Fault(degree, np.array([log_exposure, -1.28]), np.array([dark, 0.0]))
    shown = np.full((2, COUNT), np.nan)
    shown[:, seen] = response(fault, model.unknowns.values(state))[:, seen]
    night, day = (weigh(RollSigns(tuple(row), 20), model).probabilities for row in shown)
    assert night[NORMAL] >= 0.7
    assert day["under-exposed"] >= 0.7


def test_priors_of_the_profile_sum_to_one_and_normal_leads():
    hypotheses = fault_model().hypotheses
    assert sum(h.prior for h in hypotheses) == pytest.approx(1.0)
    normal = sum(h.prior for h in hypotheses if h.codes == (NORMAL,))
    assert 0.5 < normal < 0.9
