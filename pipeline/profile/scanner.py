"""Scanner profiles: what a scanner's bands make of film, and Status M out of its densities."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

import numpy as np

from pipeline.check import Text, read_profile, within
from pipeline.kinds import Float64, Floats, Matrix, Triple, as_matrix, as_triple
from pipeline.profile.film import FilmProfile, MatrixValue
from pipeline.profile.folder import profile_path


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


def status_m(density: Floats, scanner: ScannerProfile) -> Float64:
    """Return Status M densities (..., 3) for a scanner's densities above base (..., 3)."""
    return _through(scanner.matrix, density)


def base_status_m(density: Float64, scanner: ScannerProfile) -> Float64:
    """Return Status M densities (..., 3) of film base for a scanner's densities of it (..., 3)."""
    return _through(scanner.base_matrix or scanner.matrix, density)


def _through(matrix: Matrix, density: Floats) -> Float64:
    result: Float64 = np.asarray(density, float) @ np.asarray(matrix).T
    return result


def with_scanner(film: FilmProfile, scanner: ScannerProfile | None) -> FilmProfile:
    """Return a film profile for the densities of a scanner, by way of Status M.

    Without a scanner profile it stays, and so does one that has no matrix for Status M, as it
    was made for the densities of one scanner. Its unmasking may stray as before, about the new
    matrix: films differ in their dyes, and scanners of one kind in their bands.
    """
    if scanner is None or film.unmask_status_m is None:
        return film
    both = np.asarray(film.unmask_status_m) @ np.asarray(scanner.matrix)
    return replace(film, unmask=as_matrix(both))


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

    Raises SettingsProblem if the file can't be read or a key is missing or out of range.
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

    Raises SettingsProblem if there is none; the message lists those there are.
    """
    return read_scanner(profile_path(name, "scanner"))
