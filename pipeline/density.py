"""Light to density and back (ISO 5-2), with the scanner's dark level and flare taken off."""

from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Float32, Float64, Floats, Triple

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
