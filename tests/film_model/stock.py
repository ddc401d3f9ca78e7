"""Film stocks: layer sensitivities, characteristic curves, and what development makes of light."""

import tomllib
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy.interpolate import PchipInterpolator

from .spectra import Floats, illuminant, lobe, picture_basis, wavelengths_nm

MID_GREY = 0.18
FAINTEST = 1e-5


@dataclass(frozen=True)
class Process:
    """How a film was developed; the defaults are a normal run.

    contrast multiplies dye of each layer (R, G, B); speed shifts log10 exposure; fog adds dye;
    stain adds flat density to the whole film; retained_silver is the share of silver left by a
    weak bleach; development 0 is dead developer: no image, no edge print.
    """

    contrast: tuple[float, float, float] = (1.0, 1.0, 1.0)
    speed: tuple[float, float, float] = (0.0, 0.0, 0.0)
    fog: tuple[float, float, float] = (0.0, 0.0, 0.0)
    stain: float = 0.0
    retained_silver: float = 0.0
    development: float = 1.0


@dataclass(frozen=True)
class Film:
    """One stock; arrays are per layer in the order R, G, B (cyan, magenta, yellow dye).

    second_toe is the slow emulsion's share of the slope, its toe's log exposure after that of the
    fast one, and its width as a multiple; None where the layers have one emulsion.
    """

    name: str
    iso: int
    slope: Floats
    toe_at: Floats
    toe_width: Floats
    shoulder_at: Floats
    shoulder_width: Floats
    fog: Floats
    inhibition: Floats
    mask_capacity: Floats
    sensitivity: Floats
    dye_spectra: Floats
    mask_spectra: Floats
    support_spectrum: Floats
    silver_per_dye: float
    edge_print: Floats
    granularity: Floats
    edge_text: str
    code: tuple[int, int]
    second_toe: tuple[float, float, float] | None = None

    def layer_exposures(self, reflectance: Floats, light: str = "D55") -> Floats:
        """Expose the layers to reflectances [..., 41]; a white in D55 gives 1 in each layer."""
        white = self.sensitivity @ illuminant("D55")
        return (reflectance * illuminant(light)) @ (self.sensitivity / white[:, None]).T

    def picture_matrix(self, light: str = "D55") -> Floats:
        """Return the 3 x 3 matrix from linear sRGB (column vector) to layer exposures."""
        return self.layer_exposures(picture_basis().T, light).T

    def curve(self, log_exposure: Floats) -> Floats:
        """Return dye amount above fog at log10 exposures [..., 3] relative to mid-grey."""
        toe = _ramp(log_exposure - self.toe_at, self.toe_width)
        if self.second_toe is not None:
            share, later, wider = self.second_toe
            slow = _ramp(log_exposure - self.toe_at - later, wider * self.toe_width)
            toe = (1 - share) * toe + share * slow
        return self.slope * (toe - _ramp(log_exposure - self.shoulder_at, self.shoulder_width))

    def develop(self, exposure: Floats, process: Process) -> Floats:
        """Return dye amounts [..., 3] of exposures relative to mid-grey (1.0).

        A layer that develops more than its neighbours holds them back (inter-image effect): their
        exposure counts for less. A neutral with equal curves is not changed.
        """
        if process.development <= 0:
            return np.zeros_like(exposure)
        log_exposure = np.log10(np.maximum(exposure, FAINTEST))
        log_exposure = log_exposure + np.asarray(process.speed, dtype=exposure.dtype)
        alone = self.curve(log_exposure)
        held_back = alone @ self.inhibition.T.astype(exposure.dtype)
        own = alone * self.inhibition.sum(axis=1).astype(exposure.dtype)
        dye = self.curve(log_exposure + own - held_back)
        strength = process.development * np.asarray(process.contrast)
        return np.asarray(dye * strength + self.fog + np.asarray(process.fog), exposure.dtype)


def _ramp(x: Floats, width: Floats) -> Floats:
    """Return a smooth max(x, 0): straight at the top, exponential at the foot."""
    return width * np.logaddexp(0.0, x / width)


@lru_cache(maxsize=1)
def film_tables() -> dict:
    return _read("films.toml")


@lru_cache(maxsize=1)
def _wide_tables() -> dict:
    return _read("wide_films.toml")


def _read(name: str) -> dict:
    return tomllib.loads((Path(__file__).parent / name).read_text(encoding="utf-8"))


def film_names() -> list[str]:
    """Return the names of the colour films that random rolls are drawn from."""
    return list(film_tables()["films"])


def films_of(split: str) -> list[str]:
    """Return all colour films of a split, 'used' or 'left-out', the wide ones among them."""
    rows = film_tables()["films"] | _wide_tables()["films"]
    return [name for name, row in rows.items() if row["split"] == split]


def lobed_dyes(shapes: dict, row: dict) -> Floats:
    spectra = []
    for index, name in enumerate(("cyan", "magenta", "yellow")):
        short, long = (w * row["width_scale"][index] for w in shapes[name]["widths_nm"])
        total = lobe(row["peak_nm"][index], 1.0, short, long)
        spectra.append(total + sum(lobe(*extra) for extra in shapes[name]["lobes"]))
    return np.array(spectra)


def tabled_dyes(row: dict) -> Floats:
    """Return dyes of a wide film: tables moved and stretched about their peaks, peak 1."""
    tables = _wide_tables()["dye_tables"]
    nm = np.array(tables["nm"], float)
    spectra = []
    for index, name in enumerate(("cyan", "magenta", "yellow")):
        shape = PchipInterpolator(nm, tables["sets"][row["dyes"]][name])
        peak = nm[int(np.argmax(tables["sets"][row["dyes"]][name]))]
        away = wavelengths_nm() - peak - row["shift_nm"][index]
        at = np.clip(peak + away / row["width_scale"][index], nm[0], nm[-1])
        dye = np.maximum(shape(at), 0.0)
        spectra.append(dye / dye.max())
    return np.array(spectra)


def _masks(shapes: dict, row: dict) -> Floats:
    """Return mask density used up per unit of cyan and magenta dye, 2 x 41."""
    return np.array(
        [
            strength * sum(lobe(*one) for one in shapes[key])
            for strength, key in zip(
                row["mask_strength"], ("mask_of_cyan", "mask_of_magenta"), strict=True
            )
        ]
    )


def _silver(shapes: dict, row: dict) -> tuple[Floats, Floats]:
    """Return spectra of an image of silver, 3 x 41, and of the mask it hasn't, 2 x 41.

    Silver is as dense in the infra-red as in the visible, and its three "layers" are one.
    """
    return np.full((3, len(wavelengths_nm())), 1 / 3), np.zeros((2, len(wavelengths_nm())))


def _dyed(shapes: dict, row: dict) -> tuple[Floats, Floats]:
    dyes = tabled_dyes(row) if "dyes" in row else lobed_dyes(shapes, row)
    return dyes, _masks(shapes, row)


def _row(name: str) -> dict:
    """Return the row of a film in films.toml or wide_films.toml; KeyError if there is none."""
    for rows in (film_tables()["films"], film_tables()["silver_films"]):
        if name in rows:
            return rows[name]
    return _wide_tables()["films"][name]


def masked(film: Film, share: float) -> Film:
    """Return a film whose orange mask is so much weaker or stronger."""
    return film if share == 1.0 else replace(film, mask_spectra=film.mask_spectra * share)


@lru_cache(maxsize=16)
def load_film(name: str) -> Film:
    """Return a film by its name, colour, wide or silver; KeyError if there is none."""
    shapes, silver, row = film_tables()["shapes"], name in film_tables()["silver_films"], _row(name)
    dyes, masks = (_silver if silver else _dyed)(shapes, row)
    keys = (
        "slope",
        "toe_at",
        "toe_width",
        "shoulder_at",
        "shoulder_width",
        "fog",
        "inhibition",
        "mask_capacity",
        "edge_print",
        "granularity",
    )
    visible = 1 / (1 + np.exp((wavelengths_nm() - shapes["support_edge_nm"]) / 12.0))
    return Film(
        name=name,
        iso=row["iso"],
        edge_text=row["edge_text"],
        code=tuple(row["code"]),
        sensitivity=np.array([sum(lobe(*one) for one in layer) for layer in row["sensitivity"]]),
        dye_spectra=dyes,
        mask_spectra=masks,
        support_spectrum=row["support"] * visible
        + sum(lobe(*one) for one in row.get("support_lobes", ())),
        second_toe=tuple(row["second_toe"]) if "second_toe" in row else None,
        silver_per_dye=shapes["silver_per_dye"],
        **{key: np.array(row[key]) for key in keys},
    )
