"""How films and scanners differ in unmasking: ``python -m tests.fitted.strays``.

For every used film on every used scanner the unmasking is found that renders its chart best, as
the exponential of a stray from the generic profile's. The two ways in which strays differ most,
measured by what they change of the chart in CIEDE2000's tolerances, are the profile's `strays`.
They are as long as films and scanners near facts stray (films.toml, scanners.toml): the wide ones
are unlike on purpose, and tell where strays go, not how often.
"""

import itertools
from dataclasses import replace

import numpy as np
from scipy.linalg import expm
from scipy.optimize import least_squares

from pipeline.profile.film import FilmProfile, find_film
from tests.film_model.scanner import scanners_of
from tests.film_model.spectra import Floats
from tests.film_model.stock import film_names, films_of
from tests.fitted.generic import (
    OFF_DIAGONAL,
    SCANNERS,
    Fit,
    chart_density,
    delta_e,
    rendered,
    residuals,
)

# scanner-e has the bands of scanner-a.
SAME_BANDS = "scanner-e"
WAYS = 2
# How far a stray may go for a small gain: a standard deviation of its numbers, and what errors of
# the chart weigh against it.
SPREAD, GAIN = 0.3, 0.2


def profile_fit(profile: FilmProfile) -> Fit:
    """Return a profile's numbers as a fit of charts."""
    toe_power = float(getattr(profile.curves[1], "toe_power", 1.5))
    return Fit(
        np.array(profile.unmask), np.array(profile.scene), np.array(profile.slopes()), toe_power
    )


def generator(numbers: Floats) -> Floats:
    """Return a matrix (3, 3) of six numbers off its diagonal whose rows sum to 0."""
    matrix = np.zeros((3, 3))
    matrix[OFF_DIAGONAL] = numbers
    return np.asarray(matrix - np.diag(matrix.sum(axis=1)))


def strayed(fit: Fit, stray: Floats) -> Fit:
    """Return a fit whose unmasking strays by a matrix (3, 3)."""
    return replace(fit, unmask=np.asarray(expm(stray) @ fit.unmask))


def pairs_of(split: str) -> list[tuple[str, str]]:
    """Return the films and scanners of a split, each film on each scanner."""
    scanners = [name for name in scanners_of(split) if name != SAME_BANDS]
    return list(itertools.product(films_of(split), scanners))


def fit_strays(fit: Fit) -> Floats:
    """Return the ways (k, 3, 3) in which used films and scanners differ most from a fit."""
    found, weighed = [], np.zeros((6, 6))
    pairs = pairs_of("used")
    for pair in pairs:
        density = chart_density(*pair)

        def misfit(numbers: Floats, density: Floats = density) -> Floats:
            seen = residuals(rendered(density, strayed(fit, generator(numbers))))
            return np.concatenate([seen, numbers / SPREAD / GAIN])

        best = least_squares(misfit, np.zeros(6))
        found.append(best.x)
        charts = best.jac[:-6]
        weighed += charts.T @ charts / len(pairs)
    # Distances of strays are measured by what they change of charts.
    root = np.linalg.cholesky(weighed)
    _, _, axes = np.linalg.svd(np.array(found) @ root, full_matrices=False)
    usual = [film in film_names() and scanner in SCANNERS for film, scanner in pairs]
    far = np.sqrt(((np.array(found)[usual] @ root @ axes.T) ** 2).mean(axis=0))
    ways = np.array([generator(way) for way in axes @ np.linalg.inv(root) * far[:, None]])[:WAYS]
    # The sign is free: broader bands, which mix more, come first.
    return np.asarray(ways * np.sign(np.trace(ways, axis1=1, axis2=2))[:, None, None])


def errors_left(fit: Fit, ways: Floats, split: str) -> Floats:
    """Return mean CIEDE2000 of each film on each scanner, slopes, balance and strays known."""
    left = []
    for pair in pairs_of(split):
        density = chart_density(*pair)

        def misfit(numbers: Floats, density: Floats = density) -> Floats:
            stray = np.tensordot(numbers, ways, 1)
            return np.append(residuals(rendered(density, strayed(fit, stray))), 2.0 * numbers)

        numbers = least_squares(misfit, np.zeros(len(ways))).x if len(ways) else np.zeros(0)
        shown = rendered(density, strayed(fit, np.tensordot(numbers, ways, 1)))
        left.append(delta_e(shown).mean())
    return np.array(left)


def main() -> None:
    """Print the ways of the generic profile, and what they leave of errors."""
    fit = profile_fit(find_film("generic"))
    ways = fit_strays(fit)
    for way in ways:
        print(way.round(4).tolist())
    for split in ("used", "left-out"):
        for count in range(WAYS + 1):
            error = errors_left(fit, ways[:count], split)
            print(split, count, "ways known:", f"{error.mean():.2f} worst {error.max():.2f}")


if __name__ == "__main__":
    main()
