"""Signs of rolls with known faults, straight from the film model's equations, without pictures.

Films are the model's, changed at random within the ranges of published curves (sources.toml
[d-min] [slopes]), scanners are drawn between narrow bands and broad ones. No geometry, no
noise: thousands of rolls in minutes. `python -m tests.diagnosis_benchmark` holds what comes of
it against whole scans.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.film import find_film
from pipeline.kinds import as_triple
from pipeline.roll_signs import PatchDensities, RollSigns, picture_blocks, signs_of_samples
from tests.film_model import film_names, load_film, scene_light
from tests.film_model.dyes import spectral_density
from tests.film_model.random_roll import random_frames
from tests.film_model.scanner import LEAK_FROM_NM, black_body
from tests.film_model.spectra import lobe, wavelengths_nm
from tests.film_model.stock import MID_GREY, Film, Process

Floats = NDArray[np.float64]
FAMILIES = ("normal", "development", "fog", "stain", "silver", "contrast")
PICTURE_SIZE = (48, 32)
FROM_TYPICAL_STOPS = 0.15


@dataclass(frozen=True)
class FaultyRoll:
    """A roll's signs with what is true of it.

    `degree` is per channel: ln of contrast ('development' all alike, 'contrast' each its own),
    dye density of fog, density of stain, or share of silver left. `log_exposure` is the mean over
    frames of the median log10 exposure against middle grey, `stops` what the roll was over-exposed.
    """

    signs: RollSigns
    family: str
    degree: tuple[float, float, float]
    stops: float
    log_exposure: float


def scene_pool(count: int, seed: int) -> list[tuple[str, NDArray[np.float32]]]:
    """Return names and small pictures (h, w, 3) of linear sRGB of scenes as a roll has them."""
    rng = np.random.default_rng(seed)
    scenes = []
    for spec in random_frames(rng, count, charts=0):
        light = np.ascontiguousarray(scene_light(spec.scene, 1.5), np.float32)
        scenes.append(
            (spec.scene.name, cv2.resize(light, PICTURE_SIZE, interpolation=cv2.INTER_AREA))
        )
    return scenes


def random_film(rng: np.random.Generator) -> Film:
    """Draw a film near those of the model: parts of three of them, each part changed a little."""
    first, second, third = (load_film(str(rng.choice(film_names()))) for _ in range(3))

    def scaled(spread: float, size: int = 3) -> Floats:
        return np.exp(rng.normal(0.0, spread, size))

    return replace(
        first,
        slope=first.slope * scaled(0.06, 1) * scaled(0.03),
        toe_at=first.toe_at + rng.normal(0.0, 0.04) + rng.normal(0.0, 0.03, 3),
        toe_width=first.toe_width * scaled(0.15, 1) * scaled(0.05),
        shoulder_at=first.shoulder_at + rng.normal(0.0, 0.12) + rng.normal(0.0, 0.05, 3),
        fog=np.maximum(first.fog * scaled(0.2, 1) * scaled(0.1), 0.02),
        inhibition=first.inhibition * rng.uniform(0.5, 1.5),
        mask_capacity=first.mask_capacity * scaled(0.05, 2),
        mask_spectra=second.mask_spectra * scaled(0.08, 1),
        dye_spectra=second.dye_spectra,
        sensitivity=third.sensitivity,
        support_spectrum=first.support_spectrum * scaled(0.15, 1),
        edge_print=np.clip(rng.normal(0.48, 0.08) + rng.normal(0.0, 0.07, 3), 0.1, 0.9),
    )


def random_bands(rng: np.random.Generator) -> Floats:
    """Draw a scanner's bands (3, 41): three diodes, or filters before a lamp.

    Filters that let some infra-red through, where film is clear, flatten what is dense.
    """
    narrow = rng.random() < 0.5
    places, widths = (
        (((625, 658), (520, 538), (446, 465)), ((7, 13), (10, 18), (8, 13)))
        if narrow
        else (((603, 624), (532, 540), (450, 457)), ((20, 42), (26, 36), (24, 31)))
    )
    bands = [
        lobe(rng.uniform(*place), 1.0, *rng.uniform(*width, 2))
        for place, width in zip(places, widths, strict=True)
    ]
    lamp = np.ones(len(wavelengths_nm())) if narrow else black_body(rng.uniform(3000, 6000))
    leaky = not narrow and rng.random() < 0.4
    leak = rng.uniform(0.0, 0.014, (3, 1)) * (wavelengths_nm() > LEAK_FROM_NM) * leaky
    weights = (np.array(bands) + leak) * lamp
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def random_process(
    rng: np.random.Generator, family: str, degree: Floats | None = None
) -> tuple[Process, Floats]:
    """Draw how a roll was developed, one fault or none, over what varies at home anyhow."""
    contrast = np.exp(rng.normal(0.0, 0.03) + rng.normal(0.0, 0.012, 3))
    fog = np.abs(rng.normal(0.0, 0.008, 3))
    ranges = {"development": (-0.85, 0.45), "fog": (0.0, 0.5), "stain": (0.0, 0.5)}
    if degree is None:
        low, high = ranges.get(family, (0.0, 1.0))
        even = np.full(3, rng.uniform(low, high))
        degree = rng.normal(0.0, 0.15, 3) if family == "contrast" else even
    speed = 0.0
    if family == "normal":
        degree = np.zeros(3)
    if family in ("development", "contrast"):
        contrast = contrast * np.exp(degree)
    if family == "development":
        speed = rng.uniform(0.0, 0.2) * degree[0]
        fog = fog + max(degree[0], 0.0) * rng.uniform(0.0, 0.05)
    if family == "fog":
        fog = fog + degree * np.exp(rng.normal(0.0, 0.2, 3))
    process = Process(
        contrast=tuple(contrast),
        speed=(speed,) * 3,
        fog=tuple(fog),
        stain=float(degree[0]) if family == "stain" else 0.0,
        retained_silver=float(degree[0]) if family == "silver" else 0.0,
    )
    return process, degree


@dataclass(frozen=True)
class DrawnRoll:
    """Densities of a roll: small pictures (h, w, 3) above base, and its other patches."""

    frames: tuple[Floats, ...]
    patches: PatchDensities
    log_exposure: float


def drawn_roll(
    rng: np.random.Generator,
    film: Film,
    bands: Floats,
    process: Process,
    stops: float,
    scenes: Sequence[tuple[str, NDArray[np.float32]]],
) -> DrawnRoll:
    """Return the densities of scenes taken on a film, as a scanner sees them."""

    matrix = (film.picture_matrix("D55") / MID_GREY).astype(np.float32)
    light_of = bands.T.astype(np.float32)

    def density(dye: Floats) -> Floats:
        spectra = spectral_density(film, process, dye.astype(np.float32))
        light = np.exp(np.float32(-np.log(10.0)) * spectra) @ light_of
        return np.asarray(-np.log10(np.maximum(light, 1e-6)))

    base = density(film.develop(np.zeros((1, 3)), process))[0]
    flare, drift = rng.uniform(0.0, 0.006), rng.normal(0.0, FROM_TYPICAL_STOPS)
    exposures, medians = [], []
    for _, light in scenes:
        shift = float(np.clip(rng.normal(0.15, 0.5), -1.5, 2.0)) + drift + stops
        exposure = np.maximum(light @ matrix.T, 0.0) * np.float32(2.0**shift)
        medians.append(np.log10(np.median(exposure[..., 1]) + 1e-5))
        share = np.float32(flare)
        exposures.append(exposure * (1 - share) + exposure.mean(axis=(0, 1)) * share)
    frames = density(film.develop(np.array(exposures), process)) - base
    printed = density(film.develop(10.0 ** film.edge_print[None], process))[0] - base
    struck = density(film.develop(np.full((1, 3), 400.0), process))[0] - base
    patches = PatchDensities(
        as_triple(printed * np.exp(rng.normal(0.0, 0.02))), as_triple(base), as_triple(struck)
    )
    return DrawnRoll(tuple(frames), patches, float(np.mean(medians)))


def faulty_rolls(
    count: int, seed: int, families: tuple[str, ...] = FAMILIES, wide_share: float = 0.5
) -> list[FaultyRoll]:
    """Draw rolls, families in turn; `wide_share` of them at any exposure, the rest as usual."""
    rng = np.random.default_rng([seed, 7])
    pool = scene_pool(500, seed + 1000)
    names = sorted({name for name, _ in pool})
    unmask = find_film("generic").unmask
    rolls = []
    for index in range(count):
        family = families[index % len(families)]
        wide = bool(rng.random() < wide_share)
        process, degree = random_process(rng, family)
        stops = float(rng.uniform(-3.5, 4.0) if wide else rng.normal(0.0, 0.1))
        kept = pool
        if rng.random() < 0.25:
            few = set(rng.choice(names, size=6, replace=False).tolist())
            kept = [scene for scene in pool if scene[0] in few]
        taken = [kept[int(i)] for i in rng.integers(len(kept), size=int(rng.integers(6, 38)))]
        drawn = drawn_roll(rng, random_film(rng), random_bands(rng), process, stops, taken)
        blocks = [picture_blocks(frame) for frame in drawn.frames]
        signs = signs_of_samples(blocks, unmask, drawn.patches)
        rolls.append(FaultyRoll(signs, family, as_triple(degree), stops, drawn.log_exposure))
    return rolls
