"""What limits a measured density: the scanner's dark level, and figures kept in a profile."""

from functools import cache
from typing import Any

import numpy as np

from pipeline.density import Illumination
from pipeline.film import shipped
from pipeline.kinds import Float64, Triple


@cache
def measure_limits(part: str) -> dict[str, Any]:
    """Return one part of `profiles/measure.toml`: 'scanner', 'print', 'struck' or 'contrast'."""
    document = shipped("measure.toml")
    return dict(document[part])


def dark_error(
    density_above: Triple | Float64, base: Triple, illumination: Illumination
) -> Float64:
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
    off = share * illumination.reference() * np.log10(np.e)
    # Base and picture are shifted alike, so the error of the difference is that of the two terms.
    error: Float64 = np.abs(off / np.maximum(light, 1e-6) - off / np.maximum(span, 1e-6))
    return error
