"""From dye amounts to spectral density: dyes, unused coloured couplers, silver, support."""

import numpy as np

from .spectra import Floats
from .stock import Film, Process

EXHAUSTION_SOFTNESS = 0.10


def mask_left(film: Film, dye: Floats) -> Floats:
    """Return coloured coupler left (in units of dye) in the cyan and magenta layers [..., 2].

    Coupler is used up in proportion to the dye formed until there is none left: sources.toml
    [coloured-couplers].
    """
    softness = np.asarray(EXHAUSTION_SOFTNESS, dye.dtype)
    left = film.mask_capacity.astype(dye.dtype) - dye[..., :2]
    return softness * np.logaddexp(np.zeros((), dye.dtype), left / softness)


def absorbers(film: Film, process: Process, dye: Floats) -> Floats:
    """Return amounts [..., 6]: three dyes, two masks, developed silver."""
    image = np.maximum(dye - film.fog.astype(dye.dtype), 0).sum(axis=-1, keepdims=True)
    silver = image * np.asarray(process.retained_silver * film.silver_per_dye, dye.dtype)
    return np.concatenate([dye, mask_left(film, dye), silver], axis=-1)


def absorber_spectra(film: Film) -> Floats:
    """Return density spectra of the unit absorbers, 6 x 41; silver is neutral."""
    silver = np.ones((1, film.dye_spectra.shape[1]))
    return np.concatenate([film.dye_spectra, film.mask_spectra, silver])


def spectral_density(film: Film, process: Process, dye: Floats) -> Floats:
    """Return spectral density [..., 41] of film that holds the given dye amounts [..., 3]."""
    amounts = absorbers(film, process, dye)
    ground = film.support_spectrum + process.stain
    return amounts @ absorber_spectra(film).astype(dye.dtype) + ground.astype(dye.dtype)


def base_dye(film: Film, process: Process) -> Floats:
    """Return the dye amounts (3) of unexposed film after this process."""
    return film.develop(np.zeros(3), process)
