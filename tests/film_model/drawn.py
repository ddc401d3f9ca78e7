"""Films and scanners drawn at random from what is usual, as many as are asked for.

Middles and ranges are those of the published films and scanners in sources.toml as far as they
are known there, else from memory; none is a film or a scanner that is named in films.toml or
scanners.toml.
"""

from dataclasses import dataclass, replace

import numpy as np

from tests.film_model.dyes import base_dye, spectral_density
from tests.film_model.scanner import Scanner, black_body, load_scanner
from tests.film_model.spectra import Floats, lobe, wavelengths_nm
from tests.film_model.stock import (
    Film,
    Process,
    film_tables,
    load_film,
    lobed_dyes,
    tabled_dyes,
)

Rng = np.random.Generator
# Sets of dye spectra in wide_films.toml, mixed with the usual lobes in random parts.
TABLED = ("shouldered", "steep")
# Lamps of scanners: a white diode by its two lobes, else a glowing body.
DIODE_NM, PHOSPHOR_NM = 452.0, 562.0
INHIBITION = np.array([[0.0, 1.0, 0.3], [0.85, 0.0, 0.85], [0.25, 1.0, 0.0]])


@dataclass(frozen=True)
class Drawn:
    """A film on a scanner, developed as usual, and the density of its base there (3,)."""

    film: Film
    scanner: Scanner
    base_density: Floats

    def above(self, exposure: Floats) -> Floats:
        """Return densities above base of exposures (..., 3) over a middle grey's."""
        dye = self.film.develop(exposure, Process())
        seen = self.scanner.density(spectral_density(self.film, Process(), dye))
        return np.asarray(seen - self.base_density)


def drawn(seed: int) -> Drawn:
    """Return a film and a scanner; all random follows from the seed."""
    rng = np.random.default_rng([seed, 4711])
    film, scanner = drawn_film(rng), drawn_scanner(rng)
    base = scanner.density(spectral_density(film, Process(), base_dye(film, Process())))
    return Drawn(film, scanner, np.asarray(base))


def drawn_film(rng: Rng) -> Film:
    """Return a film."""
    slope = np.array([0.61, 0.54, 0.56])
    slope = slope * np.exp(rng.normal(0.0, 0.07) + rng.normal(0.0, 0.075, 3))
    second = (rng.uniform(0.2, 0.5), rng.uniform(0.4, 0.9), rng.uniform(1.0, 1.2))
    return replace(
        load_film("film-a"),
        support_spectrum=_support(rng),
        dye_spectra=_dyes(rng),
        mask_spectra=_masks(rng),
        slope=slope,
        toe_at=-1.15 + rng.normal(0.0, 0.06) + rng.normal(0.0, 0.08, 3),
        toe_width=rng.uniform(0.12, 0.25) * np.exp(rng.normal(0.0, 0.08, 3)),
        shoulder_at=rng.uniform(1.6, 2.6) + rng.normal(0.0, 0.07, 3),
        shoulder_width=np.full(3, rng.uniform(0.2, 0.5)),
        inhibition=rng.uniform(0.0, 0.2) * INHIBITION * np.exp(rng.normal(0.0, 0.2, (3, 3))),
        sensitivity=_sensitivity(rng),
        second_toe=second if rng.random() < 0.35 else None,
        mask_capacity=rng.uniform(1.6, 2.0) + rng.normal(0.0, 0.05, 2),
        fog=np.array([0.12, 0.17, 0.09]) * np.exp(rng.normal(0, 0.15) + rng.normal(0, 0.25, 3)),
    )


def _dyes(rng: Rng) -> Floats:
    shift, scale = rng.normal(0.0, [6.0, 3.0, 2.0]), rng.normal(1.0, 0.05, 3).tolist()
    row = {"peak_nm": [689 + shift[0], 541 + shift[1], 446 + shift[2]], "width_scale": scale}
    kinds = [lobed_dyes(film_tables()["shapes"], row)]
    moved = [shift[0] + 9.0, shift[1] + 1.0, shift[2] + 6.0]
    kinds += [tabled_dyes({"dyes": s, "shift_nm": moved, "width_scale": scale}) for s in TABLED]
    dyes = np.tensordot(rng.dirichlet([0.7] * len(kinds)), np.array(kinds), 1)
    return np.asarray(dyes / dyes.max(axis=1, keepdims=True))


def _masks(rng: Rng) -> Floats:
    """Return masks from half to twice as strong as usual."""
    strength = 0.7 * np.exp(rng.normal(-0.1, 0.45)) * np.exp(rng.normal(0.0, 0.06, 2))
    shapes = film_tables()["shapes"]
    names = ("mask_of_cyan", "mask_of_magenta")
    return np.array([s * _sum(shapes[name]) for s, name in zip(strength, names, strict=True)])


def _support(rng: Rng) -> Floats:
    visible = 1.0 / (1.0 + np.exp((wavelengths_nm() - 720.0) / 12.0))
    tint = lobe(rng.normal(550.0, 12.0), rng.uniform(0.0, 0.2), 50.0, 42.0)
    return np.asarray(rng.uniform(0.04, 0.14) * visible + (rng.random() < 1 / 3) * tint)


def _sensitivity(rng: Rng) -> Floats:
    red = (rng.normal(641.0, 6.0), 1.0, rng.uniform(32.0, 40.0), rng.uniform(15.0, 22.0))
    green = (rng.normal(547.0, 4.0), 1.0, rng.uniform(25.0, 32.0), rng.uniform(21.0, 26.0))
    blue = (rng.normal(446.0, 5.0), 1.0, rng.uniform(31.0, 38.0), rng.uniform(24.0, 31.0))
    return np.array([lobe(*one) for one in (red, green, blue)])


def drawn_scanner(rng: Rng) -> Scanner:
    """Return a scanner: two in five with a diode for each band, the rest with filters."""
    bands = _diodes(rng) if rng.random() < 0.4 else _filters(rng)
    return replace(load_scanner("scanner-a"), weights=bands / bands.sum(axis=1, keepdims=True))


def _diodes(rng: Rng) -> Floats:
    red = (rng.uniform(622.0, 662.0), 1.0, rng.uniform(7.0, 11.0), rng.uniform(6.0, 10.0))
    green = (rng.uniform(519.0, 538.0), 1.0, rng.uniform(10.0, 16.0), rng.uniform(12.0, 18.0))
    blue = (rng.uniform(446.0, 468.0), 1.0, rng.uniform(8.0, 11.0), rng.uniform(8.0, 12.0))
    return np.array([lobe(*one) for one in (red, green, blue)])


def _filters(rng: Rng) -> Floats:
    """Return broad bands under a lamp; some cameras' bands see much of each other's light."""
    if rng.random() < 0.6:
        lamp = black_body(rng.uniform(2900.0, 6500.0))
    else:
        blue = (rng.normal(DIODE_NM, 4.0), rng.uniform(0.6, 1.0), 9.0, 12.0)
        width = rng.uniform(36.0, 48.0)
        lamp = _sum([blue, (rng.normal(PHOSPHOR_NM, 10.0), rng.uniform(0.5, 0.9), width, 60.0)])
    shared = rng.uniform(0.0, 0.2) if rng.random() < 0.4 else 0.0
    bands = (
        [
            (rng.normal(612.0, 6.0), 1.0, rng.uniform(22.0, 34.0), rng.uniform(34.0, 46.0)),
            (rng.normal(530.0, 5.0), shared, 40.0, 30.0),
        ],
        [
            (rng.normal(535.0, 4.0), 1.0, rng.uniform(28.0, 42.0), rng.uniform(30.0, 42.0)),
            (rng.normal(456.0, 4.0), shared * 0.6, 25.0, 25.0),
        ],
        [
            (rng.normal(456.0, 5.0), 1.0, rng.uniform(26.0, 34.0), rng.uniform(28.0, 36.0)),
            (rng.normal(538.0, 5.0), shared * 0.7, 30.0, 40.0),
        ],
    )
    return np.array([_sum(band) for band in bands]) * lamp


def _sum(lobes: object) -> Floats:
    return np.asarray(sum(lobe(*one) for one in lobes))  # type: ignore[attr-defined]
