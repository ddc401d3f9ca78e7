"""What is made of readings and signs drawn at many values: limits of findings, in tables."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from pipeline.control.finding import control_findings
from pipeline.control.readings import Spot
from pipeline.control.series import control_series
from pipeline.control.spots import spot_findings
from pipeline.diagnosis.fit import fault_model
from pipeline.diagnosis.model import weigh
from pipeline.diagnosis.response import FAMILIES, Fault, response
from pipeline.diagnosis.roll import diagnose, roll_signs
from pipeline.diagnosis.signs import SIGNS, RollSigns
from pipeline.kinds import Floats, as_triple
from pipeline.profile.film import MONOCHROME, find_film
from pipeline.settings.settings import RollNotes
from tests.judged.control_cases import AIM, FAULTS, aim, faulty_strip
from tests.judged.pinned_cases import fixed_generator
from tests.survey.surveyed import frame, strip

NOT = -1.0
SPOTS = {"base": (NOT, 0.0, 0.12), "edge-print": (NOT, 0.0, 0.3, 0.7, 1.6),
         "picture": (NOT, 0.0, 0.1, 0.6, 1.9)}  # fmt: skip
FILM_FAULTS: Mapping[str, float] = {
    "normal": 0.0, "development": -0.3, "high_base": 0.15, "silver": 0.3, "crossed": 1.0,
}  # fmt: skip


def control_figures() -> dict[str, Any]:
    """Return what is found, and how surely, of control strips with publication Z-131's faults."""
    told = {}
    for fault in FAULTS:
        for size in (1.0, 2.5):
            name = f"{fault.cause} {size}"
            strip = faulty_strip(fault, size, fixed_generator(name))
            found = control_findings(control_series([strip], aim()))
            told[name] = {one.code: one.confidence for one in found}
    return told


def spot_figures() -> dict[str, Any]:
    """Return what is found of a film by single spots, each of them read or not, at some densities.

    Amounts are above the base of an aim that is read as well, or not.
    """
    base = np.array(AIM["d_min"])
    told = {}
    for aimed, *amounts in itertools.product((True, False), *SPOTS.values()):
        read = {name: amount for name, amount in zip(SPOTS, amounts, strict=True) if amount != NOT}
        spots = [
            Spot("7", None, "", name, as_triple(base + amount)) for name, amount in read.items()
        ]
        own = [Spot("aim", None, "", "base", as_triple(base))] if aimed else []
        found = spot_findings(spots, own)
        told[f"{aimed} {amounts}"] = {one.code: one.confidence for one in found}
    return told


def weighed_faults() -> dict[str, Any]:
    """Return how faults are weighed by drawn signs: with an aim, with infra-red, partly unseen."""
    told: dict[str, Any] = {}
    model = fault_model()
    shown = (range(25), range(16), (0, 3, 6, 9, 16, 19, 22), range(9, 25))
    for (code, degree), log_exposure, seen in itertools.product(
        FILM_FAULTS.items(), (-0.9, -0.1, 0.5), shown
    ):
        name = f"{code} {log_exposure} {len(seen)}"
        draw = fixed_generator(name)
        spreads = model.unknowns.spreads(6)
        film = model.unknowns.film()
        state = draw.normal(0.0, 0.5 * spreads)
        right = np.where(np.arange(len(state)) < film.stop, state, 0.0)
        signs = _signs(code, degree, log_exposure, state, 6, seen)
        aim = _signs("normal", 0.0, -0.1, right, 20, range(25))
        ways = {"": {}, "aimed": {"aim": aim}, "infra-red": {"silver_seen": True}}
        for way, known in ways.items():
            found = weigh(signs, model, **known)
            told[f"{name} {way}"] = [*found.probabilities.values(), found.unlike,
                                     *vars(found.exposure_stops).values(),
                                     *(each.value for each in found.contrast)]  # fmt: skip
    return told


def _signs(
    family: str, degree: float, log_exposure: float, state: Floats, pictures: int,
    seen: Sequence[int],
) -> RollSigns:  # fmt: skip
    degrees = {name: np.array([degree if name == family else 0.0]) for name in FAMILIES}
    unknowns = fault_model().unknowns.values(state[None])
    values = response(Fault(degrees, np.array([log_exposure])), unknowns)[0]
    return RollSigns(
        tuple(np.where(np.isin(np.arange(len(SIGNS)), seen), values, np.nan)), pictures
    )


def silver_findings() -> dict[str, Any]:
    """Return what is found of film of one silver image, by its pictures and its edge print."""
    grey = replace(find_film("generic"), name=MONOCHROME)
    told: dict[str, Any] = {}
    for median, printed in itertools.product(
        (None, 0.05, 0.12, 0.2, 0.5, 1.0, 1.5, 2.5), (None, 0.1, 0.25, 0.5)
    ):
        frames = [frame(kind="blank") if median is None else frame(median=median)] * 6
        strips = [strip(frames, print_density=printed and (printed,) * 3)]
        found = diagnose(strips, roll_signs(strips), grey, RollNotes(), False)
        told[f"{median} {printed}"] = {one.code: one.confidence for one in found}
    return told
