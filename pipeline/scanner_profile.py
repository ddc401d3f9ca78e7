"""Scanner profiles: what a scanner's bands make of film, and Status M out of its densities."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.film import FilmProfile, profile_path, profiles_folder
from pipeline.profile_reader import Matrix, ProfileReader, Triple

Floats = NDArray[np.float64]


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

    def dark_level(self, mean_light: Floats) -> Triple:
        """Return dark and flare together for a scan's mean light (3,), shares of full scale."""
        dark = np.zeros(3) if self.dark is None else np.asarray(self.dark)
        red, green, blue = (float(value) for value in dark + self.flare * np.asarray(mean_light))
        return (red, green, blue)


def status_m(density: NDArray[np.floating[Any]], scanner: ScannerProfile) -> Floats:
    """Return Status M densities (..., 3) for a scanner's densities above base (..., 3)."""
    result: Floats = np.asarray(density, float) @ np.asarray(scanner.matrix).T
    return result


def base_status_m(density: NDArray[np.floating[Any]], scanner: ScannerProfile) -> Floats:
    """Return Status M densities (..., 3) of film base for a scanner's densities of it (..., 3)."""
    matrix = scanner.matrix if scanner.base_matrix is None else scanner.base_matrix
    result: Floats = np.asarray(density, float) @ np.asarray(matrix).T
    return result


def with_scanner(film: FilmProfile, scanner: ScannerProfile | None) -> FilmProfile:
    """Return a film profile for the densities of a scanner, by way of Status M.

    Without a scanner profile it stays, and so does one that has no matrix for Status M, as it
    was made for the densities of one scanner.
    """
    if scanner is None or film.unmask_status_m is None:
        return film
    both = np.asarray(film.unmask_status_m) @ np.asarray(scanner.matrix)
    red, green, blue = ((float(r), float(g), float(b)) for r, g, b in both)
    return replace(film, unmask=(red, green, blue))


def scanner_names() -> tuple[str, ...]:
    """Return the names of the scanner profiles that come with evenroll."""
    return tuple(sorted(path.stem for path in (profiles_folder() / "scanners").glob("*.toml")))


def read_scanner(path: Path) -> ScannerProfile:
    """Return the scanner profile in a TOML file.

    Raises
    ------
    SettingsProblem
        If the file can't be read or a key is missing or out of range.
    """
    reader = ProfileReader(path, "scanner profile")
    document = reader.document
    return ScannerProfile(
        name=reader.text("name") if "name" in document else path.stem,
        source=reader.text("source"),
        matrix=reader.matrix("status_m.matrix"),
        base_matrix=reader.matrix("status_m.base_matrix")
        if "base_matrix" in reader.table("status_m")
        else None,
        dark=reader.triple("light.dark", 0.0, 0.2) if _has(document, "dark") else None,
        flare=reader.number("light.flare", 0.0, 0.2) if _has(document, "flare") else 0.0,
    )


def _has(document: dict[str, Any], key: str) -> bool:
    light = document.get("light", {})
    return not isinstance(light, dict) or key in light


def find_scanner(name: str) -> ScannerProfile:
    """Return the scanner profile of that name, or of that path if it ends in .toml.

    Raises
    ------
    SettingsProblem
        If there is none; the message lists those there are.
    """
    return read_scanner(profile_path(name, "scanner", scanner_names()))
