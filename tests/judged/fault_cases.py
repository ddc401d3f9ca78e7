"""Rolls with known faults, scanned strip by strip by the film model."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from tests.film_model import Camera, Holder, ModelScan, Process, Roll, cut_roll, scan_strips
from tests.film_model.random_roll import random_frames

HIDDEN_MM = (4.85, 5.2)


@dataclass(frozen=True)
class FaultCase:
    """One fault: the finding it should give first, the process, and stops over the usual.

    `exposed` False leaves all frames blank.
    """

    code: str
    process: Process = field(default_factory=Process)
    stops: float = 0.0
    exposed: bool = True


def _contrast(*values: float) -> Process:
    red, green, blue = values if len(values) == 3 else values * 3
    return Process(contrast=(red, green, blue))


FAULT_CASES: Mapping[str, FaultCase] = MappingProxyType({
    "normal": FaultCase("normal"),
    "under-exposed 2 stops": FaultCase("under-exposed", stops=-2.0),
    "under-exposed 3 stops": FaultCase("under-exposed", stops=-3.0),
    "under-developed 0.8": FaultCase("under-developed", _contrast(0.8)),
    "under-developed 0.65": FaultCase("under-developed", _contrast(0.65)),
    "under-developed 0.5": FaultCase("under-developed", _contrast(0.5)),
    "over-developed 1.4": FaultCase("over-developed", _contrast(1.4)),
    "fogged": FaultCase("high-base", Process(fog=(0.25, 0.25, 0.25))),
    "silver retained": FaultCase("retained-silver", Process(retained_silver=0.5)),
    "crossover": FaultCase("colour-crossover", _contrast(1.2, 1.0, 0.8)),
    "crossover the other way": FaultCase("colour-crossover", _contrast(0.8, 1.0, 1.2)),
    "dead developer": FaultCase("no-image", Process(development=0.0)),
    "unexposed": FaultCase("unexposed", exposed=False),
})  # fmt: skip


def fault_scans(
    case: FaultCase,
    film: str,
    scanner: str,
    seed: int,
    rebate: bool = True,
    frames: int = 12,
    ppi: float = 200.0,
    infrared: bool = False,
) -> list[ModelScan]:
    """Return the scans of a roll with a fault; without the rebate the holder covers it."""
    rng = np.random.default_rng([seed, 11])
    specs = [
        replace(spec, exposure_stops=spec.exposure_stops + case.stops)
        for spec in random_frames(rng, frames, charts=0)
    ]
    if not case.exposed:
        specs = [replace(spec, kind="blank") for spec in specs]
    camera = Camera(flare=float(rng.uniform(0, 0.006)), gap_jitter_mm=float(rng.uniform(0.03, 0.2)))
    process = case.process
    speckled = np.exp(rng.normal(0.0, 0.02, 3)) * np.asarray(process.contrast)
    roll = Roll(
        film, tuple(specs), process=replace(process, contrast=tuple(speckled)),
        camera=camera, seed=seed, first_number=int(rng.integers(0, 3)),
    )  # fmt: skip
    strips = cut_roll(roll)
    margin = rng.uniform(0.6, 2.0) if rebate else -rng.uniform(*HIDDEN_MM)
    gains = [tuple(g) for g in np.clip(rng.normal(1, 0.04, (len(strips), 3)), 0.8, 1.09).tolist()]
    return scan_strips(
        strips, 1, gains, seed, scanner=scanner, ppi=ppi,
        holder=Holder(window_margin_mm=float(margin)), infrared=infrared,
    )  # fmt: skip
