"""Control strips of known faults: by the published directions, and by the film model.

The directions are sources.toml [fault-directions], written down here apart from the product's
table.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from colormath import density_standards
from numpy.typing import NDArray

from pipeline.control.readings import ControlReading
from tests.film_model import Process, load_film
from tests.film_model.dyes import spectral_density
from tests.film_model.spectra import wavelengths_nm
from tests.sources import SOURCES

Floats = NDArray[np.float64]
STATUS_M = {
    name: np.asarray(getattr(density_standards, f"ANSI_STATUS_M_{name}"), float)
    for name in ("RED", "GREEN", "BLUE")
}

# Densities of a strip in control, Status M, R, G, B: from memory, typical of such strips.
AIM = {
    "d_min": (0.23, 0.62, 0.90),
    "ld": (0.75, 1.16, 1.42),
    "hd": (1.58, 2.04, 2.43),
    "d_max": (2.05, 2.62, 3.05),
    "yellow": (0.40, 0.95, 2.75),
}
# Repeatability of densitometers: common practice, no source.
READING_ERROR = 0.008
PLAIN, SLIGHTLY, MOST = 1.0, 0.4, 1.6


@dataclass(frozen=True)
class Published:
    """One fault of publication Z-131: the product's words for its cause, its code, directions.

    Directions are of d_min, ld, contrast (HD - LD) or hd, d_max, and retained; a number for all
    channels or three. What is not named may go slightly either way.
    """

    cause: str
    code: str
    ways: Mapping[str, float | tuple[float, float, float]]


DOWN = {"d_min": 0.0, "ld": -PLAIN, "hd": -PLAIN, "d_max": -PLAIN}
UP = {"d_min": 0.0, "ld": PLAIN, "hd": PLAIN, "d_max": PLAIN}
UNDER, OVER, BASE = "under-developed", "over-developed", "high-base"
SILVER, CROSS = "retained-silver", "colour-crossover"
FAULTS = (
    Published("developer too cool", UNDER, DOWN),
    Published("developer too warm", OVER, UP),
    Published("too little agitation", UNDER, DOWN | {"ld": -SLIGHTLY}),
    Published("too much agitation", OVER, UP | {"ld": SLIGHTLY}),
    Published("developer underreplenished", UNDER, DOWN | {"d_min": -PLAIN}),
    Published("developer overreplenished", OVER, UP | {"d_min": PLAIN}),
    Published("developer too dilute", UNDER, DOWN),
    Published("developer too concentrated", OVER, UP),
    Published("developer oxidised", UNDER, {"d_min": 0.0, "ld": -PLAIN, "contrast": -PLAIN}),
    Published(
        "too little of the developer's part A",
        CROSS,
        {"ld": 0.0, "contrast": (-PLAIN, -SLIGHTLY, -PLAIN)},
    ),
    Published(
        "too little of the developer's part B",
        OVER,
        {"d_min": SLIGHTLY, "ld": PLAIN, "contrast": MOST, "d_max": PLAIN},
    ),
    Published(
        "too much of the developer's part B",
        UNDER,
        {"d_min": -SLIGHTLY, "ld": -PLAIN, "contrast": -MOST, "d_max": -PLAIN},
    ),
    Published(
        "too little of the developer's part C",
        UNDER,
        {"ld": -PLAIN, "contrast": (-PLAIN, -PLAIN, -MOST)},
    ),
    Published(
        "too much of the developer's part C",
        CROSS,
        {"ld": (0.0, PLAIN, PLAIN), "contrast": (0.0, PLAIN, PLAIN)},
    ),
    Published("too little starter", OVER, UP | {"d_min": SLIGHTLY}),
    Published("too much starter", UNDER, DOWN | {"d_min": -SLIGHTLY}),
    Published(
        "bleach in the developer", BASE, {"d_min": PLAIN, "ld": PLAIN, "contrast": -PLAIN}
    ),
    Published(
        "fixer in the developer",
        OVER,
        {"d_min": (MOST, PLAIN, PLAIN), "ld": PLAIN, "contrast": PLAIN, "d_max": PLAIN},
    ),
    Published("bleach too dilute", SILVER, {"retained": PLAIN, "contrast": (0.0, 0.0, -SLIGHTLY)}),
    Published(
        "bleach underreplenished", SILVER, {"retained": PLAIN, "d_min": (0.0, 0.0, SLIGHTLY)}
    ),
    Published(
        "bleach poorly aerated", SILVER, {"retained": PLAIN, "contrast": (-PLAIN, 0.0, -PLAIN)}
    ),
    Published(
        "stain from the bleach", BASE, {"d_min": (0.0, PLAIN, 0.0), "ld": (0.0, PLAIN, 0.0)}
    ),
    Published(
        "fixer too dilute", BASE, {"d_min": (PLAIN, PLAIN, 0.0), "ld": (PLAIN, PLAIN, 0.0)}
    ),
    Published("fixer too acid", CROSS, {"ld": (-PLAIN, 0.0, 0.0), "contrast": (-PLAIN, 0.0, 0.0)}),
)  # fmt: skip
# The unit of a fault's size is the action limit; that of D-max is our own.
UNIT = {"d_max": 0.10} | {
    name: SOURCES["control-limits"][name][0] for name in ("d_min", "ld", "contrast", "retained")
}


def strip_of(densities: Mapping[str, Floats], name: str = "1") -> ControlReading:
    """Return a strip read to two decimals."""
    rounded = {key: tuple(map(float, np.round(value, 2))) for key, value in densities.items()}
    return ControlReading(name, None, "", **rounded)


def aim() -> ControlReading:
    return strip_of({key: np.array(value) for key, value in AIM.items()}, "aim")


def normal_strip(rng: np.random.Generator, sigma: float = READING_ERROR) -> ControlReading:
    """Return a strip at its aim but for the errors of reading."""
    return strip_of({key: value + rng.normal(0, sigma, 3) for key, value in AIM.items()})


def faulty_strip(fault: Published, size: float, rng: np.random.Generator) -> ControlReading:
    """Return a strip that goes the fault's way by about `size` action limits, amounts at random.

    Quantities share a log-normal factor of 1.35, channels of 1.15; where HD is told and not the
    contrast, HD goes 1.5 to 2.5 times as far as a plain change of LD: it has more density to lose.
    """

    def amount(key: str, unit: float) -> Floats:
        way = np.broadcast_to(np.asarray(fault.ways[key], float), 3)
        stray = np.exp(rng.normal(0, 0.3) + rng.normal(0, 0.14, 3))
        return way * size * unit * stray + rng.normal(0, 0.004 * size, 3) * (way == 0.0)

    def unnamed(unit: float) -> Floats:
        return rng.normal(0, 0.2 * size * unit, 3)

    moved = {
        key: amount(key, UNIT[key]) if key in fault.ways else unnamed(UNIT[key])
        for key in ("d_min", "ld", "d_max")
    }
    if "contrast" in fault.ways:
        moved["hd"] = moved["ld"] + amount("contrast", UNIT["contrast"])
    elif "hd" in fault.ways:
        less = np.abs(np.asarray(fault.ways["ld"], float))
        moved["hd"] = moved["ld"] / less * rng.uniform(1.5, 2.5)
    else:
        moved["hd"] = moved["ld"] + unnamed(UNIT["contrast"])
    retained = amount("retained", UNIT["retained"]) if "retained" in fault.ways else unnamed(0.03)
    # In red and green the yellow patch is base, but for a third of the silver, which one layer has.
    moved["yellow"] = moved["d_min"] + np.maximum(retained, 0.0) / 3 * (fault.code == SILVER)
    moved["yellow"][2] = (moved["d_max"] - retained)[2]
    return strip_of({key: AIM[key] + moved[key] + rng.normal(0, READING_ERROR, 3) for key in AIM})


# Log exposures of the patches against mid-grey, per layer R, G, B; what is dark is unexposed.
DARK = -9.0
PATCHES = {
    "d_min": (DARK, DARK, DARK),
    "ld": (-0.4, -0.4, -0.4),
    "hd": (1.0, 1.0, 1.0),
    "d_max": (1.9, 1.9, 1.9),
    "yellow": (DARK, DARK, 1.9),
}


def model_strip(process: Process, film: str = "film-a") -> ControlReading:
    """Return a control strip of the film model after a process, read without error."""
    stock = load_film(film)
    dye = stock.develop(10.0 ** np.array(list(PATCHES.values())), process)
    densities = status_m(spectral_density(stock, process, dye))
    return strip_of(dict(zip(PATCHES, densities, strict=True)), film)


def status_m(spectra: Floats) -> Floats:
    """Return Status M densities (n, 3) of spectra (n, 41) by PyPI colormath's ISO 5-3 tables."""
    bands = np.array([STATUS_M[name] for name in ("RED", "GREEN", "BLUE")])
    own = np.arange(340.0, 831.0, 10.0)
    at = np.array([np.interp(own, wavelengths_nm(), row) for row in spectra])
    light: Floats = 10.0**-at @ bands.T
    return -np.log10(light / bands.sum(axis=1))
