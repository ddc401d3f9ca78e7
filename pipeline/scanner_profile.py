"""Scanner profiles: what a scanner's bands make of film, and Status M out of its densities."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

import numpy as np

from pipeline.check import Text, read_profile, within
from pipeline.film import FilmProfile, MatrixValue, profile_path, profiles_folder
from pipeline.kinds import Float64, Floats, Matrix, Triple, as_matrix, as_triple
from pipeline.problem import SettingsProblem
from pipeline.status_m import band_density, base_spectra, film_spectra, status_m_of_spectra


@dataclass(frozen=True)
class ScannerProfile:
    """What is known of a scanner.

    `matrix` takes its densities above base to Status M, and `base_matrix` those of the base, which
    has colours of its own (None: the same). `dark` is the reading without light, shares of full
    scale, or None where it is not known; `flare` is the share of a scan's mean light that lies
    over everything. Both stand in where a scan shows nothing opaque.
    """

    name: str
    source: str
    matrix: Matrix
    dark: Triple | None = None
    flare: float = 0.0
    base_matrix: Matrix | None = None

    def dark_level(self, mean_light: Float64) -> Triple:
        """Return dark and flare together for a scan's mean light (3,), shares of full scale."""
        dark = np.zeros(3) if self.dark is None else np.asarray(self.dark)
        return as_triple(dark + self.flare * np.asarray(mean_light))


@dataclass(frozen=True)
class ScannerFit:
    """A fitted scanner profile, and the root mean square of what is left, in density (3,)."""

    profile: ScannerProfile
    residual: Float64


def status_m(density: Floats, scanner: ScannerProfile) -> Float64:
    """Return Status M densities (..., 3) for a scanner's densities above base (..., 3)."""
    result: Float64 = np.asarray(density, float) @ np.asarray(scanner.matrix).T
    return result


def base_status_m(density: Floats, scanner: ScannerProfile) -> Float64:
    """Return Status M densities (..., 3) of film base for a scanner's densities of it (..., 3)."""
    matrix = scanner.matrix if scanner.base_matrix is None else scanner.base_matrix
    result: Float64 = np.asarray(density, float) @ np.asarray(matrix).T
    return result


def fit_scanner(
    wavelength_nm: Floats,
    bands: Floats,
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
    (`status_m.film_spectra`), between what the bands see and Status M (ISO 5-3); for the base over
    spectra of bases (`status_m.base_spectra`).
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
    left: Float64 = np.sqrt(np.mean((status_m(seen, profile) - wanted) ** 2, axis=0))
    return ScannerFit(profile, left)


def _solved(seen: Float64, wanted: Float64) -> Matrix:
    return as_matrix(np.linalg.lstsq(seen, wanted, rcond=None)[0].T)


def with_scanner(film: FilmProfile, scanner: ScannerProfile | None) -> FilmProfile:
    """Return a film profile for the densities of a scanner, by way of Status M.

    Without a scanner profile it stays, and so does one that has no matrix for Status M, as it
    was made for the densities of one scanner.
    """
    if scanner is None or film.unmask_status_m is None:
        return film
    both = np.asarray(film.unmask_status_m) @ np.asarray(scanner.matrix)
    return replace(film, unmask=as_matrix(both))


def scanner_names() -> tuple[str, ...]:
    """Return the names of the scanner profiles that come with evenroll."""
    return tuple(sorted(path.stem for path in (profiles_folder() / "scanners").glob("*.toml")))


@dataclass(frozen=True)
class _StatusM:
    matrix: MatrixValue
    base_matrix: MatrixValue | None = None


@dataclass(frozen=True)
class _Light:
    dark: Annotated[Triple, within(0.0, 0.2)] | None = None
    flare: Annotated[float, within(0.0, 0.2)] = 0.0


@dataclass(frozen=True)
class _Scanner:
    source: Text
    status_m: _StatusM
    name: Text | None = None
    light: _Light = _Light()


def read_scanner(path: Path) -> ScannerProfile:
    """Return the scanner profile in a TOML file.

    Raises
    ------
    SettingsProblem
        If the file can't be read or a key is missing or out of range.
    """
    told = read_profile(_Scanner, path, "scanner profile")
    return ScannerProfile(
        name=told.name or path.stem,
        source=told.source,
        matrix=told.status_m.matrix,
        base_matrix=told.status_m.base_matrix,
        dark=told.light.dark,
        flare=told.light.flare,
    )


def find_scanner(name: str) -> ScannerProfile:
    """Return the scanner profile of that name, or of that path if it ends in .toml.

    Raises
    ------
    SettingsProblem
        If there is none; the message lists those there are.
    """
    return read_scanner(profile_path(name, "scanner", scanner_names()))
