"""How well a roll's signs fit what may be true of it, for a film that is known more or less."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from pipeline.diagnosis.hypotheses import NORMAL, Hypothesis, hypotheses_of
from pipeline.diagnosis.response import (
    FAMILIES,
    Fault,
    Unknowns,
    errors_of,
    response,
    unknowns_of,
)
from pipeline.diagnosis.signs import RollSigns
from pipeline.kinds import Float64
from pipeline.profile import shipped

# Slopes are secants over one standard deviation to either side, as of so many pictures.
_SECANT_PICTURES = 16
_AIM_STEPS = 3


@dataclass(frozen=True)
class Linear:
    """Signs (h, n) of hypotheses at a film, and their slopes (h, n, size) by the unknowns."""

    mean: Float64
    slope: Float64


@dataclass(frozen=True)
class FilmState:
    """What is known of film and scanner: mean (k,) and covariance (k, k) of their unknowns."""

    mean: Float64
    covariance: Float64


@dataclass(frozen=True)
class FilmPrior:
    """How probable a kind of film and scanner is, and how far its unknowns (k,) may be off."""

    probability: float
    spreads: Float64

    @property
    def state(self) -> FilmState:
        """What is known of such a film beforehand."""
        return FilmState(np.zeros(len(self.spreads)), np.diag(self.spreads**2))


@dataclass(frozen=True)
class FaultModel:
    """All that may be true of a roll, and what of it is not known.

    `errors` (n,) are those of measuring the signs; `usual` the linear model at the usual film;
    `freedom` is of Student's law; `films` the kinds of films and scanners there are: the usual
    first, then those unlike it in one respect, and in all of them last; `other_aim` the
    probability beforehand that an aim is of another film or scanner, and of another scanner alone;
    `doubted` how much likelier faults of process are of a roll that a user holds against an aim;
    `akin` how far films that are akin lie from each other, as a share of how far films may be off;
    `infrared_odds` how much likelier silver is where infra-red shows the picture, and where not.
    """

    unknowns: Unknowns
    errors: Float64
    hypotheses: tuple[Hypothesis, ...]
    usual: Linear
    usual_log_exposure: float
    freedom: float
    films: tuple[FilmPrior, ...]
    other_aim: tuple[float, float]
    doubted: float
    akin: float
    infrared_odds: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True)
class Fit:
    """How signs fit hypotheses: log likelihoods (h,), and what they were off by (h, m)."""

    near: Linear
    logs: Float64
    off: Float64
    covariance: Float64


def linear(unknowns: Unknowns, hypotheses: tuple[Hypothesis, ...], film: Float64) -> Linear:
    """Return the signs of hypotheses and their slopes for a film (k,) and scanner."""
    degree = {
        name: np.array([h.degree if h.family == name else 0.0 for h in hypotheses])
        for name in FAMILIES
    }
    log_exposure, dark = (
        np.array([getattr(h, name) for h in hypotheses]) for name in ("log_exposure", "dark")
    )
    fault = Fault(degree, log_exposure, dark)
    step = unknowns.spreads(_SECANT_PICTURES)
    centre = np.zeros(len(step))
    centre[unknowns.film()] = film
    states = centre + np.concatenate([np.zeros((1, len(step))), np.diag(step), -np.diag(step)])
    signs = response(fault, unknowns.values(states[:, None, :]))
    up, down = signs[1 : 1 + len(step)], signs[1 + len(step) :]
    slope = (up - down) / (2.0 * step)[:, None, None]
    return Linear(signs[0], np.moveaxis(slope, 0, -1))


def film_by_aim(aim: RollSigns, model: FaultModel) -> FilmState:
    """Return what a roll that is right tells of its film and scanner, usual or not."""
    normal = tuple(h for h in model.hypotheses if h.codes == (NORMAL,))
    prior = np.log([h.prior for h in normal])
    before, places, seen = model.films[-1].state, model.unknowns.film(), aim.known()
    film = before
    for _ in range(_AIM_STEPS):
        near = linear(model.unknowns, normal, film.mean)
        # Unknowns are counted from the usual film, the signs' mean is at the one found so far.
        back = near.slope[..., places] @ film.mean
        told = fit(aim, model, Linear(near.mean - back, near.slope), before)
        best = int(np.argmax(told.logs + prior))
        slope = near.slope[best][seen][:, places]
        gain = np.linalg.solve(told.covariance[best], slope @ before.covariance).T
        film = FilmState(
            gain @ told.off[best], before.covariance - gain @ slope @ before.covariance
        )
    return film


def film_akin(film: FilmState, model: FaultModel) -> FilmState:
    """Return what is known of a film or scanner that is another, but akin to one that is known."""
    apart = model.akin * model.films[0].spreads
    return FilmState(film.mean, film.covariance + np.diag(apart**2))


def _covariance(near: Linear, film: FilmState, model: FaultModel, pictures: int) -> Float64:
    """Return the covariances (h, n, n) of signs of a roll with so many pictures."""
    places = model.unknowns.film()
    own, rest = near.slope[..., places], near.slope[..., places.stop :]
    variance = model.unknowns.spreads(pictures)[places.stop :] ** 2
    spread: Float64 = own @ film.covariance @ np.swapaxes(own, -1, -2)
    spread = spread + (rest * variance) @ np.swapaxes(rest, -1, -2)
    return spread + np.diag(model.errors**2)


def fit(signs: RollSigns, model: FaultModel, near: Linear, film: FilmState) -> Fit:
    """Return how signs fit each hypothesis, by Student's law of many dimensions.

    Terms that are the same for all hypotheses and films are left out.
    """
    seen = signs.known()
    cover = _covariance(near, film, model, signs.frames)[:, seen][:, :, seen]
    off = np.array(signs.values)[seen] - near.mean[:, seen]
    _, log_det = np.linalg.slogdet(cover)
    distance = np.einsum("hi,hi->h", off, np.linalg.solve(cover, off[..., None])[..., 0])
    reach = (model.freedom + int(seen.sum())) * np.log1p(distance / model.freedom)
    return Fit(near, -0.5 * (log_det + reach), off, cover)


@cache
def fault_model() -> FaultModel:
    """Return the model of profiles/fault_signs.toml, whose sources are named there."""
    return model_of(shipped("fault_signs.toml"))


def model_of(document: Mapping[str, Any]) -> FaultModel:
    """Return the model in a parsed file."""
    unknowns, hypotheses = unknowns_of(document), hypotheses_of(document)
    tails, infrared, aim = document["tails"], document["infrared"], document["aim"]
    return FaultModel(
        unknowns,
        errors_of(document),
        hypotheses,
        linear(unknowns, hypotheses, np.zeros(unknowns.film().stop)),
        float(document["exposure"]["usual"]),
        float(tails["freedom"]),
        films_of(unknowns, document["unlike"]),
        (float(aim["other_prior"]), float(aim["other_scanner_prior"])),
        float(aim["doubted"]),
        float(aim["akin"]),
        (float(infrared["shows"]), float(infrared["hides"])),
    )


def films_of(unknowns: Unknowns, document: Mapping[str, Any]) -> tuple[FilmPrior, ...]:
    """Return the usual film and scanner, and those unlike it in each of the respects of a table."""
    usual, places = unknowns.spreads(1)[unknowns.film()], unknowns.places()
    each, odd = float(document["prior"]), []
    for respect in document["respects"]:
        spreads = usual.copy()
        for name in respect["of"]:
            spreads[places[name]] *= float(respect["times"])
        odd.append(FilmPrior(each, spreads))
    odd.append(FilmPrior(each, usual * float(document["all"])))
    return (FilmPrior(1.0 - each * len(odd), usual), *odd)
