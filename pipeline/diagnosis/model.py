"""How likely each fault is by the signs of a roll: Bayes' theorem on the physical model."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.diagnosis.fit import FaultModel, Fit, film_akin, film_by_aim, fit, linear
from pipeline.diagnosis.hypotheses import STOPS_A_DECADE, Hypothesis
from pipeline.diagnosis.signs import RollSigns
from pipeline.kinds import Float64, Floats

# An aim that is likelier of another film than not is not used; of one that is used, doubt counts by
# its probability.
_OTHER = 0.5


@dataclass(frozen=True)
class Estimate:
    """A figure with the bounds that it lies in with about 95 % probability."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Weighed:
    """How probable each finding is by a roll's signs; a roll may have two at once.

    `unlike` is the probability that film or scanner are unlike the usual. `degrees` are, for
    each finding, its degree if it is there; `exposure_stops` is over (or under) the usual;
    `contrast` ln of the channels' contrast against the usual if layers went apart. `other_aim`
    is the probability that the aim is of another film or scanner, None without one.
    """

    probabilities: Mapping[str, float]
    degrees: Mapping[str, Estimate]
    unlike: float
    exposure_stops: Estimate
    contrast: tuple[Estimate, ...]
    other_aim: float | None = None

    @property
    def aimed(self) -> bool:
        """Return whether an aim was used."""
        return self.other_aim is not None and self.other_aim < _OTHER


def weigh(
    signs: RollSigns,
    model: FaultModel,
    aim: RollSigns | None = None,
    silver_seen: bool | None = None,
    film_known: bool = False,
    logged: bool = False,
) -> Weighed:
    """Return how probable each finding is.

    Parameters
    ----------
    signs
        Of the roll.
    model
        What is not known, and what faults do to signs.
    aim
        Of a roll of the same film and scanner that is known to be right: it tells what film and
        scanner do. An aim that is likelier of another film than not is not used.
    silver_seen
        Whether infra-red shows the picture, as silver does; None where a scan has none.
    film_known
        Whether codes on the edges say that the aim is of the same film; its scanner may differ.
    logged
        Whether the aim is what a log of chemistry tells: then nobody doubts the roll.

    Notes
    -----
    Signs follow Student's law about the mean of each hypothesis; those not seen drop out. Their
    covariance is that of all unknowns by the slopes of the signs, and of the errors. Without an
    aim a film is as usual, or unlike the usual in one respect or in all, and may be off much
    further there: a base of its own says nothing against the curve. Another film than the aim's
    may as well be akin to it as not: what differs a little is then no fault. Who holds a roll
    against a good one doubts it: faults of process are likelier then, once the aim is used. That
    says nothing of whose film the aim is.
    """
    prior = np.log([
        h.prior * _silver_odds(h, model, silver_seen) for h in model.hypotheses
    ])  # fmt: skip
    kinds = [fit(signs, model, model.usual, film.state) for film in model.films]
    each = [
        kind.logs + math.log(film.probability) + prior
        for kind, film in zip(kinds, model.films, strict=True)
    ]
    alone, odd = np.logaddexp.reduce(each), kinds[-1]
    unlike = _share(alone, np.logaddexp.reduce(each[1:]))
    if aim is None:
        return _summed(alone, odd, unlike, signs, model)
    film = film_by_aim(aim, model)
    about = linear(model.unknowns, model.hypotheses, film.mean)
    near, akin = (fit(signs, model, about, each) for each in (film, film_akin(film, model)))
    other_before = model.other_aim[1 if film_known else 0]
    same = near.logs + prior + math.log1p(-other_before)
    apart = np.logaddexp(alone, akin.logs + prior) + math.log(other_before / 2.0)
    either = np.logaddexp(same, apart)
    other = _share(either, apart)
    if other >= _OTHER:
        return _summed(alone, odd, unlike, signs, model, other)
    if not logged:
        of_process = np.array([h.of_process for h in model.hypotheses])
        either = np.logaddexp(same + math.log(model.doubted) * of_process, apart)
    return _summed(either, near, 0.0, signs, model, other)


def _share(whole: Float64, part: Float64) -> float:
    """Return what share of weights, given by their logarithms, a part is."""
    from scipy.special import logsumexp

    return float(np.exp(logsumexp(part) - logsumexp(whole)))


def _silver_odds(hypothesis: Hypothesis, model: FaultModel, seen: bool | None) -> float:
    """Return how much likelier infra-red makes it: where there is silver, it shows the picture."""
    if seen is None or hypothesis.family != "silver":
        return 1.0
    return model.infrared_odds[0 if seen else 1]


def _summed(
    logs: Float64, by: Fit, unlike: float, signs: RollSigns, model: FaultModel,
    other_aim: float | None = None,
) -> Weighed:  # fmt: skip
    from scipy.special import softmax

    weights = softmax(logs)
    exposures = np.array([h.log_exposure for h in model.hypotheses])
    stops = (exposures - model.usual_log_exposure) * STOPS_A_DECADE
    degrees = np.array([h.degree for h in model.hypotheses])
    probabilities, estimates = {}, {}
    for code in sorted({code for h in model.hypotheses for code in h.codes}):
        inside = np.array([code in h.codes for h in model.hypotheses])
        probabilities[code] = float(weights[inside].sum())
        counted = stops if code in ("under-exposed", "over-exposed") else degrees
        estimates[code] = _estimate(counted[inside], weights[inside])
    crossed = np.array([h.family == "crossed" for h in model.hypotheses])
    best = int(np.argmax(np.where(crossed, weights, -1.0)))
    contrast = _contrast(best, by, signs, model)
    return Weighed(probabilities, estimates, unlike, _estimate(stops, weights), contrast, other_aim)


def _contrast(best: int, by: Fit, signs: RollSigns, model: FaultModel) -> tuple[Estimate, ...]:
    """Return ln of the channels' contrast against the usual, if layers went apart as in `best`."""
    place = model.unknowns.places()["crossed_contrast"]
    spread = model.unknowns.spreads(signs.frames)[place] ** 2
    slope = by.near.slope[best][signs.known()][:, place]
    gain = np.linalg.solve(by.covariance[best], slope * spread).T
    mean, variance = gain @ by.off[best], spread - (gain * (slope * spread).T).sum(axis=1)
    return tuple(
        Estimate(float(m), float(m - 2.0 * s), float(m + 2.0 * s))
        for m, s in zip(mean, np.sqrt(np.maximum(variance, 0.0)), strict=True)
    )


def _estimate(values: Floats, weights: Floats) -> Estimate:
    total = max(float(weights.sum()), 1e-300)
    mean = float(values @ weights) / total
    spread = float(np.sqrt((values - mean) ** 2 @ weights / total))
    return Estimate(mean, mean - 2.0 * spread, mean + 2.0 * spread)
