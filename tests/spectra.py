"""Status M densities (ISO 5-3) of spectra, spectra like those of colour negative film, and fits."""

import itertools
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float64, Matrix
from pipeline.problem import SettingsProblem
from pipeline.scanner_profile import ScannerProfile, status_m

Floats = NDArray[np.float64]

DATA = Path(__file__).parent / "data"


@cache
def _products() -> tuple[Float64, Float64]:
    """Return wavelengths in nm (n,) and the spectral products (3, n), R, G, B, peak 100."""
    table = np.genfromtxt(DATA / "status_m_10nm.csv", delimiter=",", skip_header=4)
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
    each (tests/data/dyes.toml, which names its sources).
    """
    table = _dyes()
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
    with the coupler it uses up (tests/data/dyes.toml, which names its sources).
    """
    table = _dyes()
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


@cache
def _dyes() -> dict[str, Any]:
    return tomllib.loads((DATA / "dyes.toml").read_text("utf-8"))


@dataclass(frozen=True)
class ScannerFit:
    """A fitted scanner profile, and the root mean square of what is left, in density (3,)."""

    profile: ScannerProfile
    residual: Floats


def fit_scanner(
    wavelength_nm: NDArray[np.floating[Any]],
    bands: NDArray[np.floating[Any]],
    name: str,
    source: str,
) -> ScannerFit:
    """Return the profile of a scanner whose spectral bands are known.

    Parameters
    ----------
    wavelength_nm
        (n,) rising, from 400 nm or less to 700 nm or more.
    bands
        (3, n) sensitivity times lamp, R, G, B, any scale.
    name, source
        For the profile.

    Raises
    ------
    SettingsProblem
        If the bands don't fit the wavelengths, or one sees no light.

    Notes
    -----
    Least squares over densities above base of spectra like colour negative film
    (`film_spectra`), between what the bands see and Status M (ISO 5-3); for the base over
    spectra of bases (`base_spectra`).
    """
    nm, weight = np.asarray(wavelength_nm, float), np.asarray(bands, float)
    if weight.shape != (3, len(nm)) or not np.isfinite(weight).all() or (weight < 0).any():
        raise SettingsProblem(None, "the scanner's bands are not three curves", "give R, G, B")
    if (np.diff(nm) <= 0).any() or (weight.sum(axis=1) <= 0).any():
        raise SettingsProblem(
            None, "a scanner's band is dark, or wavelengths don't rise", "correct the bands"
        )
    samples, base = film_spectra(nm)
    seen = band_density(samples, weight) - band_density(base, weight)
    wanted = status_m_of_spectra(nm, samples) - status_m_of_spectra(nm, base)
    bases = base_spectra(nm)
    of_base = _solved(band_density(bases, weight), status_m_of_spectra(nm, bases))
    profile = ScannerProfile(name, source, _solved(seen, wanted), base_matrix=of_base)
    left: Floats = np.sqrt(np.mean((status_m(seen, profile) - wanted) ** 2, axis=0))
    return ScannerFit(profile, left)


def _solved(seen: Floats, wanted: Floats) -> Matrix:
    solved = np.linalg.lstsq(seen, wanted, rcond=None)[0].T
    red, green, blue = ((float(r), float(g), float(b)) for r, g, b in solved)
    return (red, green, blue)
