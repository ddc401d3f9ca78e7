"""Whether a fault shows: how far base, edge print and light-struck film leave those of sound films.

The range is the film model's truth and asks nothing of `pipeline`: sound rolls of all films and
scanners, used and left out, as homes develop them.
"""

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, norm

from pipeline.diagnosis.signs import LEAST, SIGNS, RollSigns
from tests.judged.fault_bank import patch_densities, random_bands, random_film, random_process

Floats = NDArray[np.float64]
PATCHES = ("base", "edge_print", "densest")
# A fault shows where a patch is further off than this, in deviations of sound films.
SHOWS = 2.0
_ROLLS, _SEED = 600, 41


@cache
def sound_patches() -> Floats:
    """Return base, ln edge print and ln light-struck film of sound rolls, shape (n, 3, 3)."""
    rows = []
    for split in ("used", "left-out"):
        rng = np.random.default_rng([_SEED, *split.encode()])
        for _ in range(_ROLLS):
            film, bands = random_film(rng, split), random_bands(rng, split)
            base, *above = patch_densities(film, bands, random_process(rng, "normal")[0])
            rows.append([base, *np.log(np.maximum(above, 0.0) + LEAST)])
    return np.array(rows)


def deviations_off(patch: Floats, sound: Floats) -> float:
    """Return how far a patch (3,) lies from sound ones (n, 3), channels and their ties together.

    In deviations of one normal figure: as rare as being so far off among sound ones is.
    """
    off = patch - sound.mean(axis=0)
    distance = float(off @ np.linalg.solve(np.cov(sound.T), off))
    return float(norm.isf(max(chi2.sf(distance, len(off)), 1e-300) / 2.0))


def shows(signs: RollSigns) -> bool:
    """Return whether a roll's base, edge print or light-struck film is unlike that of sound ones.

    Patches that are out of view don't count.
    """
    values = dict(zip(SIGNS, signs.values, strict=True))
    for place, patch in enumerate(PATCHES):
        seen = np.array([values[f"{patch}_{channel}"] for channel in ("red", "green", "blue")])
        if math.isfinite(seen.sum()) and deviations_off(seen, sound_patches()[:, place]) > SHOWS:
            return True
    return False
