"""What faults do to the signs of a roll, and how likely each is by the signs seen."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np

from pipeline.diagnosis.signs import SIGNS, RollSigns
from pipeline.kinds import LOG_STOP, Floats, Triple
from pipeline.profile import shipped

FAMILIES = ("development", "fog", "stain", "silver", "contrast")
NORMAL = "normal"
_EXPOSURE_POWERS = 5
_STOPS_A_DECADE = 1.0 / LOG_STOP
# A roll that fits nothing well is drawn from as wide a spread as this many usual ones.
_ODD_SPREAD = 3.0
_LEAST_VARIANCE = 1e-5


@dataclass(frozen=True)
class Hypothesis:
    """One thing that may be true of a roll, to one degree, at one exposure.

    `codes` are the findings it means; `degree` is per channel what the family counts in: ln of
    contrast, dye of fog, density of stain, share of silver left. `log_exposure` is the mean
    over pictures of their median log10 exposure against middle grey; `prior` its probability.
    """

    codes: tuple[str, ...]
    family: str
    degree: Triple
    log_exposure: float
    prior: float


@dataclass(frozen=True)
class FaultModel:
    """Means and spreads of the signs, fitted; `coefficients` (terms, signs) go with `terms`.

    `film` and `content` (signs, signs) are covariances: of films and scanners, and of what is
    photographed, divided by the number of pictures. `usual_log_exposure` is that of usual rolls;
    `infrared_odds` how much likelier silver is where infra-red shows the picture, and where not.
    """

    coefficients: Floats
    film: Floats
    content: Floats
    usual_log_exposure: float
    hypotheses: tuple[Hypothesis, ...]
    odd_prior: float
    infrared_odds: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True)
class Estimate:
    """A figure with the bounds that it lies in with about 95 % probability."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Weighed:
    """How probable each finding is by a roll's signs; a roll may have two at once.

    `odd` is the probability that the signs fit no roll that the model knows. `degrees` are, for
    each finding, its degree (the red channel's) if it is there; `exposure_stops` is over (or
    under) the usual.
    """

    probabilities: Mapping[str, float]
    degrees: Mapping[str, Estimate]
    odd: float
    exposure_stops: Estimate
    contrast: tuple[Estimate, Estimate, Estimate]


def terms(family: str, degree: Triple, log_exposure: float) -> Floats:
    """Return the terms (31,) whose weighted sum is the mean of the signs.

    Powers of exposure; for each family its degree times (1, exposure, exposure squared), and its
    square times (1, exposure); for contrast each channel's degree times (1, exposure).
    """
    e = log_exposure
    row = [e**power for power in range(_EXPOSURE_POWERS)]
    for name in FAMILIES[:-1]:
        x = degree[0] if name == family else 0.0
        row += [x, x * e, x * e * e, x * x, x * x * e]
    for channel in range(3):
        x = degree[channel] if family == "contrast" else 0.0
        row += [x, x * e]
    return np.array(row)


def weigh(
    signs: RollSigns,
    model: FaultModel,
    aim: RollSigns | None = None,
    silver_seen: bool | None = None,
) -> Weighed:
    """Return how probable each finding is.

    Parameters
    ----------
    signs
        Of the roll.
    model
        What faults do to signs.
    aim
        Of a roll of the same film, scanner and camera that is known to be right: what is the
        film's own then cancels out.
    silver_seen
        Whether infra-red shows the picture, as silver does; None where a scan has none.

    Notes
    -----
    Signs are normally distributed about the mean of each hypothesis, so that those not seen drop
    out of mean and covariance. Bayes' theorem over a grid of hypotheses does the rest.
    """
    seen = signs.known()
    means = np.array([terms(h.family, h.degree, h.log_exposure) for h in model.hypotheses])
    means = means @ model.coefficients
    film, offset = _film_by_aim(aim, model)
    spread = film + model.content / max(signs.frames, 1)
    off = np.array(signs.values)[seen] - (means + offset)[:, seen]
    whitened = _whitened(off, spread[np.ix_(seen, seen)])
    distance = (whitened**2).sum(axis=1)
    # The picture shows in infra-red where there is silver in it.
    odds = 1.0 if silver_seen is None else model.infrared_odds[0 if silver_seen else 1]
    priors = [h.prior * (odds if h.family == "silver" else 1.0) for h in model.hypotheses]
    log_odds = np.log(priors) - distance / 2.0
    odd = np.log(model.odd_prior) - seen.sum() * np.log(_ODD_SPREAD)
    odd -= distance.min() / 2.0 / _ODD_SPREAD**2
    top = max(float(log_odds.max()), float(odd))
    weights = np.exp(log_odds - top)
    total = weights.sum() + np.exp(odd - top)
    return _summed(weights / total, float(np.exp(odd - top) / total), model)


def _whitened(off: Floats, spread: Floats) -> Floats:
    """Return differences in units of their spread, along its axes."""
    variance, axes = np.linalg.eigh(spread)
    whitened: Floats = off @ axes / np.sqrt(np.maximum(variance, _LEAST_VARIANCE))
    return whitened


def _film_by_aim(aim: RollSigns | None, model: FaultModel) -> tuple[Floats, Floats]:
    """Return covariance and mean offset of the film's own signs, given a roll that is right."""
    if aim is None:
        return model.film, np.zeros(len(SIGNS))
    seen = aim.known()
    own = model.film[np.ix_(seen, seen)] + model.content[np.ix_(seen, seen)] / max(aim.frames, 1)
    gain = model.film[:, seen] @ np.linalg.pinv(own, hermitian=True)

    def normal(hypothesis: Hypothesis) -> tuple[float, Floats]:
        mean = terms(NORMAL, (0.0, 0.0, 0.0), hypothesis.log_exposure) @ model.coefficients
        off = (np.array(aim.values) - mean)[seen]
        cost = float((_whitened(off[None], own) ** 2).sum()) / 2.0 - np.log(hypothesis.prior)
        return cost, off

    tried = [normal(each) for each in model.hypotheses if each.codes == (NORMAL,)]
    _, off = min(tried, key=lambda each: each[0])
    return model.film - gain @ model.film[seen], gain @ off


def _summed(weights: Floats, odd: float, model: FaultModel) -> Weighed:
    codes = sorted({code for h in model.hypotheses for code in h.codes})
    exposures = np.array([h.log_exposure for h in model.hypotheses])
    stops = (exposures - model.usual_log_exposure) * _STOPS_A_DECADE
    degrees = np.array([h.degree for h in model.hypotheses])
    spans = np.array([
        h.degree if h.family in ("development", "contrast") else (0.0, 0.0, 0.0)
        for h in model.hypotheses
    ])  # fmt: skip
    probabilities, estimates = {}, {}
    for code in codes:
        inside = np.array([code in h.codes for h in model.hypotheses])
        probabilities[code] = float(weights[inside].sum())
        counted = stops if code in ("under-exposed", "over-exposed") else degrees[:, 0]
        if inside.any() and probabilities[code] > 0.0:
            estimates[code] = _estimate(counted[inside], weights[inside])
    red, green, blue = (_estimate(spans[:, channel], weights) for channel in range(3))
    return Weighed(probabilities, estimates, odd, _estimate(stops, weights), (red, green, blue))


def _estimate(values: Floats, weights: Floats) -> Estimate:
    total = max(float(weights.sum()), 1e-300)
    mean = float(values @ weights) / total
    spread = float(np.sqrt((values - mean) ** 2 @ weights / total))
    return Estimate(mean, mean - 2.0 * spread, mean + 2.0 * spread)


@cache
def fault_model() -> FaultModel:
    """Return the model of profiles/fault_signs.toml, whose sources are named there."""
    return model_of(shipped("fault_signs.toml"))


def model_of(document: Mapping[str, Any]) -> FaultModel:
    """Return the model in a parsed file; signs in it may have any order, but all must be there."""
    order = [document["signs"].index(name) for name in SIGNS]
    film, content = (
        np.array(document[key]["covariance"])[np.ix_(order, order)] for key in ("film", "content")
    )
    coefficients = np.array(document["mean"]["coefficients"])[:, order]
    exposure = document["exposure"]
    return FaultModel(
        coefficients,
        film * document["film"]["widened"],
        content * document["film"]["widened"],
        float(exposure["usual"]),
        tuple(_hypotheses(document)),
        float(document["odd"]["prior"]),
        (float(document["infrared"]["shows"]), float(document["infrared"]["hides"])),
    )


def _hypotheses(document: Mapping[str, Any]) -> list[Hypothesis]:
    """Return all combinations of a fault's degrees and exposures, with what they are likely."""
    found = []
    for exposure_code, exposures in _exposures(document["exposure"]).items():
        for log_exposure, share in exposures:
            for fault in document["faults"]:
                code, degrees = fault["code"], fault["degrees"]
                codes = tuple(c for c in (code, exposure_code) if c != NORMAL) or (NORMAL,)
                both = code != NORMAL and exposure_code != NORMAL
                prior = fault["prior"] * share * (document["exposure"]["both"] if both else 1.0)
                for degree in degrees:
                    red, green, blue = degree if isinstance(degree, list) else [degree] * 3
                    found.append(
                        Hypothesis(
                            codes, fault["family"], (red, green, blue), log_exposure,
                            prior / len(degrees),
                        )
                    )  # fmt: skip
    total = sum(hypothesis.prior for hypothesis in found)
    return [replace(each, prior=each.prior / total) for each in found]


def _exposures(table: Mapping[str, Any]) -> dict[str, list[tuple[float, float]]]:
    """Return log exposures with their probabilities, by the finding that they mean."""
    places = np.arange(table["lowest"], table["highest"] + 1e-9, table["step"])
    usual, spread = table["usual"], table["spread"]
    bell = np.exp(-(((places - usual) / spread) ** 2) / 2.0)
    under = (places < usual + table["under_stops"] / _STOPS_A_DECADE).astype(float)
    over = (places > usual + table["over_stops"] / _STOPS_A_DECADE).astype(float)
    parts = {
        NORMAL: bell * (1.0 - table["under_prior"] - table["over_prior"]) / bell.sum(),
        "under-exposed": under * table["under_prior"] / under.sum(),
        "over-exposed": over * table["over_prior"] / over.sum(),
    }
    return {
        code: [(float(e), float(p)) for e, p in zip(places, part, strict=True) if p > 1e-4]
        for code, part in parts.items()
    }
