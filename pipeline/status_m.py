"""Status M densities (ISO 5-3) of spectra, and spectra like those of colour negative film."""

import itertools
from functools import cache

import numpy as np

from pipeline.film import profiles_folder, shipped
from pipeline.kinds import Float64

_PRODUCTS = "status_m_10nm.csv"
_DYES = "dyes.toml"


@cache
def _products() -> tuple[Float64, Float64]:
    """Return wavelengths in nm (n,) and the spectral products (3, n), R, G, B, peak 100."""
    path = profiles_folder() / _PRODUCTS
    table = np.genfromtxt(path, delimiter=",", skip_header=4)
    return table[:, 0], np.nan_to_num(table[:, 4:7]).T


def status_m_of_spectra(wavelength_nm: Float64, density: Float64) -> Float64:
    """Return Status M densities (..., 3), R, G, B, of spectral densities (..., n).

    Parameters
    ----------
    wavelength_nm
        (n,) rising wavelengths; between them the spectrum is a line, beyond them level.
    density
        Transmission density at each.

    Notes
    -----
    D = -log10(sum(T w) / sum(w)) with the 10 nm products of ISO 5-3:2009, which stand for the
    flux of the standard's illuminant through the instrument's filters.
    """
    nm, products = _products()
    at = np.apply_along_axis(
        lambda row: np.interp(nm, wavelength_nm, row), -1, np.asarray(density, float)
    )
    return band_density(at, products)


def band_density(density: Float64, bands: Float64) -> Float64:
    """Return the densities (..., k) that bands (k, n) see of spectral densities (..., n).

    The ratio of the flux with the film to that without it (ISO 5-2, ISO 5-3).
    """
    light = 10.0**-density @ bands.T
    seen: Float64 = -np.log10(light / bands.sum(axis=1))
    return seen


def film_spectra(wavelength_nm: Float64) -> tuple[Float64, Float64]:
    """Return spectral densities of samples like colour negative film (m, n), and of its base (n,).

    All combinations of some amounts of three dyes, with the coloured couplers left over from
    each (profiles/dyes.toml, which names its sources).
    """
    table = shipped(_DYES)
    dyes = [_lobes(wavelength_nm, lobes) for lobes in table["dyes"].values()]
    coloured = [_lobes(wavelength_nm, lobes) for lobes in table["coloured"].values()]
    base = table["support"] + table["coupler"] * np.sum(coloured, axis=0)
    image = np.array(dyes) - np.array(coloured)
    amounts = np.array(list(itertools.product(table["amounts"], repeat=3)))
    samples: Float64 = base + amounts @ image
    return samples, base


def base_spectra(wavelength_nm: Float64) -> Float64:
    """Return spectral densities (m, n) of bases of colour negative film.

    All combinations of some amounts of support, of coloured couplers, and of fog of each dye
    with the coupler it uses up (profiles/dyes.toml, which names its sources).
    """
    table = shipped(_DYES)
    dyes = np.array([_lobes(wavelength_nm, lobes) for lobes in table["dyes"].values()])
    coloured = np.array([_lobes(wavelength_nm, lobes) for lobes in table["coloured"].values()])
    amounts = table["base"]
    fog = np.array(list(itertools.product(amounts["fog"], repeat=3)))
    coupler = np.array(list(itertools.product(amounts["coupler"], repeat=2)))
    fogged = fog @ (dyes - coloured)
    masked = coupler @ coloured[:2]
    support = np.array(amounts["support"])[:, None, None, None]
    spectra: Float64 = (support + masked[:, None] + fogged).reshape(-1, len(wavelength_nm))
    return spectra


def _lobes(wavelength_nm: Float64, lobes: list[list[float]]) -> Float64:
    total = np.zeros(len(wavelength_nm))
    for peak, height, short, long in lobes:
        off = wavelength_nm - peak
        total += height * np.exp(-0.5 * (off / np.where(off < 0, short, long)) ** 2)
    return total
