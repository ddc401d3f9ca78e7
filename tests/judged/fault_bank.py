"""Signs of rolls with known faults, straight from the film model's equations, without pictures.

Films and scanners are those of a split, `used` or `left-out`, changed at random within the ranges
of published curves (sources.toml [d-min] [slopes]); the factory exposes edge print as it likes. No
geometry, no noise: hundreds of rolls in minutes. Each world, a film on a scanner, has a good roll
to aim by. `python -m tests.judged.diagnosis` holds what comes of it against whole scans.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.diagnosis.signs import PatchDensities, RollSigns, picture_blocks, signs_of_samples
from pipeline.kinds import as_triple
from pipeline.profile.film import find_film
from tests.film_model import load_film, load_scanner, scene_light
from tests.film_model.dyes import spectral_density
from tests.film_model.random_roll import random_frames
from tests.film_model.scanner import scanners_of
from tests.film_model.stock import MID_GREY, Film, Process, films_of

Floats = NDArray[np.float64]
Scene = tuple[str, NDArray[np.float32]]
FAMILIES = ("normal", "normal", "development", "fog", "stain", "silver", "contrast")
PICTURE_SIZE = (48, 32)
FROM_TYPICAL_STOPS = 0.3
# Share of rolls whose pictures are all of one colour, as in a wood or by lamps.
TINTED = 0.15


@dataclass(frozen=True)
class FaultyRoll:
    """A roll's signs with what is true of it.

    `degree` is per channel: ln of contrast ('development' all alike, 'contrast' each its own),
    dye density of fog, density of stain, or share of silver left. `log_exposure` is the mean over
    frames of the median log10 exposure against middle grey, `stops` what the roll was over-exposed;
    `aim` are the signs of a good roll of the same film and scanner; it is drawn near `film`.
    """

    signs: RollSigns
    family: str
    degree: tuple[float, float, float]
    stops: float
    log_exposure: float
    aim: RollSigns
    film: str


def scene_pool(count: int, seed: int) -> list[Scene]:
    """Return names and small pictures (h, w, 3) of linear sRGB of scenes as a roll has them."""
    rng = np.random.default_rng(seed)
    scenes = []
    for spec in random_frames(rng, count, charts=0):
        light = np.ascontiguousarray(scene_light(spec.scene, 1.5), np.float32)
        scenes.append(
            (spec.scene.name, cv2.resize(light, PICTURE_SIZE, interpolation=cv2.INTER_AREA))
        )
    return scenes


def random_film(rng: np.random.Generator, split: str = "used") -> Film:
    """Draw a film near those of a split: parts of three of them, each part changed a little."""
    names = films_of(split)
    first, second, third = (load_film(str(rng.choice(names))) for _ in range(3))

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
        dye_spectra=second.dye_spectra,
        sensitivity=third.sensitivity,
        support_spectrum=first.support_spectrum * scaled(0.15, 1),
        edge_print=np.clip(rng.normal(0.40, 0.17) + rng.normal(0.0, 0.09, 3), -0.2, 1.0),
    )


def random_process(rng: np.random.Generator, family: str) -> tuple[Process, Floats]:
    """Draw how a roll was developed, one fault or none, over what varies at home anyhow."""
    contrast = np.exp(rng.normal(0.0, 0.025) + rng.normal(0.0, 0.01, 3))
    speed, fog = np.full(3, rng.normal(0.0, 0.02)), np.abs(rng.normal(0.0, 0.006, 3))
    ranges = {"development": (-0.75, 0.45), "fog": (0.0, 0.5), "stain": (0.0, 0.5)}
    low, high = ranges.get(family, (0.0, 1.0))
    degree = np.full(3, rng.uniform(low, high)) * (family != "normal")
    if family == "contrast":
        degree = rng.normal(0.0, 0.15, 3)
        contrast = contrast * np.exp(degree)
    if family == "development":
        # Layers never follow quite alike, and speed goes with contrast.
        contrast = contrast * np.exp(degree * (1.0 + rng.normal(0.0, 0.12, 3)))
        speed = speed + rng.uniform(0.0, 0.8) * degree
        fog = fog + max(degree[0], 0.0) * rng.uniform(0.0, 0.15) * np.exp(rng.normal(0, 0.3, 3))
    if family == "fog":
        fog = fog + degree * np.exp(rng.normal(0.0, 0.2, 3))
    process = Process(
        contrast=tuple(contrast),
        speed=tuple(speed),
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


def seen_density(film: Film, bands: Floats, process: Process, exposure: Floats) -> Floats:
    """Return densities (..., 3) that a scanner's bands see of exposures against middle grey."""
    dye = film.develop(exposure, process)
    spectra = spectral_density(film, process, dye.astype(np.float32))
    light = np.exp(np.float32(-np.log(10.0)) * spectra) @ bands.T.astype(np.float32)
    return np.asarray(-np.log10(np.maximum(light, 1e-6)))


def patch_densities(film: Film, bands: Floats, process: Process) -> tuple[Floats, Floats, Floats]:
    """Return densities (3,) of the base, and of edge print and light-struck film above it."""
    base, printed, struck = (
        seen_density(film, bands, process, exposure)[0]
        for exposure in (np.zeros((1, 3)), 10.0 ** film.edge_print[None], np.full((1, 3), 400.0))
    )
    return base, printed - base, struck - base


def drawn_roll(
    rng: np.random.Generator,
    film: Film,
    bands: Floats,
    process: Process,
    stops: float,
    scenes: Sequence[Scene],
) -> DrawnRoll:
    """Return the densities of scenes taken on a film, as a scanner sees them."""
    matrix = (film.picture_matrix("D55") / MID_GREY).astype(np.float32)
    base, printed, struck = patch_densities(film, bands, process)
    flare, drift = rng.uniform(0.0, 0.006), rng.normal(0.0, FROM_TYPICAL_STOPS)
    exposures, medians = [], []
    for _, light in scenes:
        shift = float(np.clip(rng.normal(0.15, 0.5), -1.5, 2.0)) + drift + stops
        exposure = np.maximum(light @ matrix.T, 0.0) * np.float32(2.0**shift)
        medians.append(np.log10(np.median(exposure[..., 1]) + 1e-5))
        share = np.float32(flare)
        exposures.append(exposure * (1 - share) + exposure.mean(axis=(0, 1)) * share)
    frames = seen_density(film, bands, process, np.array(exposures)) - base
    patches = PatchDensities(
        as_triple(printed * np.exp(rng.normal(0.0, 0.015))), as_triple(base), as_triple(struck)
    )
    return DrawnRoll(tuple(frames), patches, float(np.mean(medians)))


def random_bands(rng: np.random.Generator, split: str) -> Floats:
    """Draw a scanner's bands (3, 41) of a split."""
    return load_scanner(str(rng.choice(scanners_of(split)))).weights


def random_scenes(rng: np.random.Generator, pool: Sequence[Scene]) -> list[Scene]:
    """Draw the scenes of one roll: few or many, some rolls of few kinds, some all of one colour."""
    if rng.random() < 0.25:
        names = sorted({name for name, _ in pool})
        few = set(rng.choice(names, size=6, replace=False).tolist())
        pool = [scene for scene in pool if scene[0] in few]
    taken = [pool[int(i)] for i in rng.integers(len(pool), size=int(rng.integers(4, 38)))]
    if rng.random() < TINTED:
        tint = np.exp(rng.normal(0.0, 0.35, 3)).astype(np.float32)
        taken = [(name, light * (tint / tint.max())) for name, light in taken]
    return taken


def faulty_rolls(
    count: int, seed: int, split: str = "used", families: tuple[str, ...] = FAMILIES,
    wide_share: float = 0.2,
) -> list[FaultyRoll]:  # fmt: skip
    """Draw rolls of a split, families in turn, a world for each turn.

    `wide_share` of the sound ones are at any exposure, all others as usual.
    """
    rng = np.random.default_rng([seed, 7, *split.encode()])
    pool = scene_pool(300, seed + 1000)
    unmask = find_film("generic").unmask
    rolls: list[FaultyRoll] = []

    def signs(process: Process, stops: float) -> tuple[RollSigns, float]:
        drawn = drawn_roll(rng, film, bands, process, stops, random_scenes(rng, pool))
        blocks = [picture_blocks(frame) for frame in drawn.frames]
        return signs_of_samples(blocks, unmask, drawn.patches), drawn.log_exposure

    for index in range(count):
        family = families[index % len(families)]
        if index % len(families) == 0:
            film, bands = random_film(rng, split), random_bands(rng, split)
            aim, _ = signs(random_process(rng, "normal")[0], 0.0)
        process, degree = random_process(rng, family)
        wide = family == "normal" and rng.random() < wide_share
        stops = float(rng.uniform(-3.5, 4.0)) if wide else 0.0
        seen, log_exposure = signs(process, stops)
        rolls.append(
            FaultyRoll(seen, family, as_triple(degree), stops, log_exposure, aim, film.name)
        )
    return rolls
