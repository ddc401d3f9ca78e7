"""The edge print of a roll, from those of its strips."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Triple, as_triple
from pipeline.survey.strip import StripSurvey

_UNKNOWN_ERROR = 0.03


@dataclass(frozen=True)
class EdgePrint:
    """Density above base of what the factory exposed at the edges, with its standard error.

    `how` says on what it was measured: codes, letters or both.
    """

    density: Triple
    error: Triple
    how: str = "codes"


def edge_print(strips: Sequence[StripSurvey]) -> EdgePrint | None:
    """Return the roll's edge print: the mean of its strips, weighed by their errors.

    None if no strip shows any. The error is that of the mean, or what the scatter between strips
    makes it where that is more; what the scanner's dark level adds is common to all and stays.
    """
    known = [s for s in strips if s.print_density is not None]
    if not known:
        return None
    density = np.array([strip.print_density for strip in known])
    error = np.array([strip.print_error or (_UNKNOWN_ERROR,) * 3 for strip in known])
    weight = 1.0 / error**2
    mean = (weight * density).sum(axis=0) / weight.sum(axis=0)
    scatter = density.std(axis=0, ddof=1) / np.sqrt(len(known)) if len(known) > 1 else 0.0
    ways = {strip.print_from or "codes" for strip in known}
    return EdgePrint(
        as_triple(mean),
        as_triple(np.maximum(error.min(axis=0), scatter)),
        " and ".join(sorted(ways)),
    )
