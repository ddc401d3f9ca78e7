"""Evidence of strips of 135 film whose pictures are drawn by hand."""

from collections.abc import Sequence

import numpy as np

from pipeline.frame.columns import Evidence, evidence
from pipeline.profile.format import film_sizes

PX_PER_MM = 6.0
FILM = film_sizes()["135"]
HEIGHT = round(FILM.width_mm * PX_PER_MM)
TOP, BOTTOM = 33, 177
Places = Sequence[tuple[float, float]]


def seen(
    length_mm: float, pictures_mm: Places, bars_mm: Places = (), density: float = 0.6
) -> Evidence:
    """Return the evidence of a strip with even pictures, and bars of base inside them."""
    above = np.zeros((HEIGHT, round(length_mm * PX_PER_MM), 3), np.float32)
    rng = np.random.default_rng(1)
    above += rng.normal(0, 0.003, above.shape).astype(np.float32)
    for start, end in pictures_mm:
        above[TOP:BOTTOM, round(start * PX_PER_MM) : round(end * PX_PER_MM)] += density
    for start, end in bars_mm:
        above[TOP:BOTTOM, round(start * PX_PER_MM) : round(end * PX_PER_MM)] -= density
    return evidence(above, FILM, PX_PER_MM, 0.003)
