"""Light to density and back (ISO 5-2), less dark level and flare, and what limits a density."""

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from pipeline.kinds import Float32, Float64, Floats, Triple
from pipeline.profile import shipped

DENSITY_LIMIT = 4.5
"""Highest density returned; light at or under the dark level has no density of its own."""


@dataclass(frozen=True)
class Illumination:
    """What the scanner shows without film, as linear light per channel, 1.0 = full scale.

    `dark` is the reading behind something opaque: dark current and veiling flare together.
    `gate` is the open-gate reading, or None where none was seen or it clipped; densities are
    then relative to full scale, and `absolute` is false.
    """

    dark: Triple
    gate: Triple | None

    @property
    def absolute(self) -> bool:
        """Tell whether densities are ISO 5-2 densities."""
        return self.gate is not None

    def reference(self) -> Float64:
        """Return the light of density zero less the dark level, shape (3,)."""
        gate = (1.0, 1.0, 1.0) if self.gate is None else self.gate
        span: Float64 = np.asarray(gate, float) - np.asarray(self.dark, float)
        return span


def to_density(light: Floats, illumination: Illumination) -> Float32:
    """Return transmission density D = -log10((s - dark) / (gate - dark)).

    Parameters
    ----------
    light
        Linear light (..., 3), 1.0 = full scale.
    illumination
        Dark level and open gate of the same scan.

    Returns
    -------
    Densities base-10 (..., 3), float32, at most `DENSITY_LIMIT`.

    Notes
    -----
    IEC 60050 845-24-089 and ISO 5-2:2009: D = -log10(tau).
    """
    dark = np.asarray(illumination.dark, np.float32)
    span = np.asarray(illumination.reference(), np.float32)
    tau = (np.asarray(light, np.float32) - dark) / span
    density: Float32 = -np.log10(np.maximum(tau, np.float32(10.0**-DENSITY_LIMIT)))
    return density


def to_light(density: Floats, illumination: Illumination) -> Float64:
    """Return linear light for transmission densities: the inverse of `to_density`."""
    tau = 10.0 ** -np.asarray(density, float)
    light: Float64 = tau * illumination.reference() + np.asarray(illumination.dark)
    return light


@cache
def measure_limits(part: str) -> dict[str, Any]:
    """Return one part of `profiles/measure.toml`, such as 'scanner' or 'print'."""
    document = shipped("measure.toml")
    return dict(document[part])


def least_orange() -> float:
    """Return the blue less red density of a film's orange base at the least."""
    return float(measure_limits("film")["least_orange"])


def dark_error(density_above: Triple | Floats, base: Triple, illumination: Illumination) -> Float64:
    """Return how far densities above base may be off by what is not known of the dark level.

    Parameters
    ----------
    density_above
        (..., 3) density above base.
    base
        Light of the base, dark level included.
    illumination
        Of the scan; a dark level of zero was not seen.

    Notes
    -----
    A wrong dark level shifts light by so much, and density by that over the light, times
    log10(e); it matters where the film is dense.
    """
    limits = measure_limits("scanner")
    seen = any(illumination.dark)
    share = float(limits["seen_dark_error" if seen else "unseen_dark_error"])
    span = np.asarray(base, float) - np.asarray(illumination.dark)
    light = span * 10.0 ** -np.asarray(density_above, float)
    off = share * illumination.reference() * math.log10(math.e)
    # Base and picture are shifted alike, so the error of the difference is that of the two terms.
    error: Float64 = np.abs(off / np.maximum(light, 1e-6) - off / np.maximum(span, 1e-6))
    return error
