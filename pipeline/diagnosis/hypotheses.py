"""What may be true of a roll: faults by degree, exposures, and how usual each is."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.kinds import LOG_STOP

NORMAL = "normal"
STOPS_A_DECADE = 1.0 / LOG_STOP


@dataclass(frozen=True)
class Hypothesis:
    """One thing that may be true of a roll, to about one degree, at about one exposure.

    `codes` are the findings it means; `degree` is what the family counts in (see `Fault`);
    `log_exposure` is the mean over pictures of the log10 exposure of their scene's middle against
    middle grey; `prior` its probability; `dark` how far below their middle the medians of dark
    subjects lie, in log10 exposure.
    """

    codes: tuple[str, ...]
    family: str
    degree: float
    log_exposure: float
    prior: float
    dark: float = 0.0

    @property
    def of_process(self) -> bool:
        """Return whether a fault of process is there, whatever the exposure."""
        return self.family != NORMAL


def hypotheses_of(document: Mapping[str, Any]) -> tuple[Hypothesis, ...]:
    """Return all combinations of a fault's degrees and exposures, with what they are likely."""
    found = list(_combinations(document))
    total = sum(hypothesis.prior for hypothesis in found)
    return tuple(replace(each, prior=each.prior / total) for each in found)


def _combinations(document: Mapping[str, Any]) -> Iterator[Hypothesis]:
    for exposure_code, exposures in _exposures(document["exposure"]).items():
        for log_exposure, dark, share in exposures:
            for fault in document["faults"]:
                code, degrees = fault["code"], fault["degrees"]
                codes = tuple(c for c in (code, exposure_code) if c != NORMAL) or (NORMAL,)
                both = code != NORMAL and exposure_code != NORMAL
                prior = fault["prior"] * share * (document["exposure"]["both"] if both else 1.0)
                for degree in degrees:
                    yield Hypothesis(
                        codes,
                        fault["family"],
                        float(degree),
                        log_exposure,
                        prior / len(degrees),
                        dark,
                    )


def _exposures(table: Mapping[str, Any]) -> dict[str, list[tuple[float, float, float]]]:
    """Return log exposures, how dark subjects are, and how probable both, by what they mean."""
    places = np.arange(table["lowest"], table["highest"] + 1e-9, table["step"])
    usual, spread = table["usual"], table["spread"]
    below, above = (usual + table[key] / STOPS_A_DECADE for key in ("under_stops", "over_stops"))
    under, over = places < below, places > above
    fall = STOPS_A_DECADE / table["far_stops"]
    bell = np.where(under | over, 0.0, np.exp(-(((places - usual) / spread) ** 2) / 2.0))
    sound = 1.0 - table["under_prior"] - table["over_prior"]
    dark = table["dark_prior"]
    parts = {
        NORMAL: [
            (0.0, sound * (1.0 - dark), bell),
            *((float(key), sound * dark / len(table["dark"]), bell) for key in table["dark"]),
        ],
        "under-exposed": [(0.0, table["under_prior"], under * np.exp(fall * (places - below)))],
        "over-exposed": [(0.0, table["over_prior"], over * np.exp(fall * (above - places)))],
    }
    return {
        code: [
            (float(e), key, float(p))
            for key, prior, shape in part
            for e, p in zip(places, prior * shape / shape.sum(), strict=True)
            if p > 1e-4
        ]
        for code, part in parts.items()
    }
