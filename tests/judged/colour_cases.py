"""Rolls of the film model by what is hard about their colour, each with charts among its frames."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.film_model import Camera, FrameSpec, ModelScan, Roll, Scene, cut_roll, scan_strips
from tests.film_model.random_roll import random_frames

# Full scale is 1: at a gain of 1.25 the open gate lies at 0.95.
OPEN_GATE = 0.76
FRAMES_A_STRIP = 4
EXPOSURES_STOPS = (-2.0, 0.0, 3.0)
ONE_COLOUR = {
    "forest": (("leaves", None), ("leafy-edges", None), ("grass", (0.35, 0.62, 0.18))),
    "night": (("street-night", None), ("night-sky", None), ("stars", None)),
    "beach": (("sea", None), ("boats", None), ("gravel", (0.9, 0.74, 0.52))),
}

Gains = tuple[float, float, float]


@dataclass(frozen=True)
class Setup:
    """What a roll is made with: film, scanner, resolution, and frames on rolls of pictures."""

    film: str
    scanner: str
    ppi: float = 150.0
    frames: int = 8


@dataclass(frozen=True)
class Case:
    """A kind of roll: its frames by a random generator, and how far channel gains drift."""

    name: str
    frames: Callable[[np.random.Generator, int], list[FrameSpec]]
    drift: float = 0.04
    frames_a_strip: int = FRAMES_A_STRIP


def _daylight(rng: np.random.Generator, count: int) -> list[FrameSpec]:
    return random_frames(rng, count, charts=1)


def _strips(rng: np.random.Generator, count: int) -> list[FrameSpec]:
    """Return three strips of three frames, each with the same chart at the same exposure."""
    frames = random_frames(rng, 9, charts=0)
    for strip in range(3):
        frames[3 * strip + int(rng.integers(3))] = FrameSpec("chart")
    return frames


def _exposures(rng: np.random.Generator, count: int) -> list[FrameSpec]:
    """Return pictures with charts of very different exposure among them."""
    frames = random_frames(rng, count + len(EXPOSURES_STOPS), charts=0)
    places = rng.choice(len(frames), len(EXPOSURES_STOPS), replace=False)
    for place, stops in zip(places, EXPOSURES_STOPS, strict=True):
        frames[int(place)] = FrameSpec("chart", stops)
    return frames


def _one_colour(theme: str) -> Callable[[np.random.Generator, int], list[FrameSpec]]:
    def frames(rng: np.random.Generator, count: int) -> list[FrameSpec]:
        """Return pictures of one theme with one chart among them."""
        scenes = ONE_COLOUR[theme]
        specs = []
        for _ in range(count):
            name, tint = scenes[int(rng.integers(len(scenes)))]
            crop = (float(rng.random()), float(rng.random()), float(rng.uniform(0.6, 1.0)))
            seed = int(rng.integers(1000))
            scene = Scene(name, crop, bool(rng.random() < 0.4), tint=tint or (1, 1, 1), seed=seed)
            specs.append(FrameSpec(scene, float(rng.normal(0.15, 0.4))))
        specs[int(rng.integers(count))] = FrameSpec("chart", float(rng.normal(0, 0.3)))
        return specs

    return frames


CASES = {
    case.name: case
    for case in (
        Case("daylight", _daylight),
        Case("strips", _strips, drift=0.25, frames_a_strip=3),
        Case("exposure", _exposures),
        *(Case(theme, _one_colour(theme)) for theme in ONE_COLOUR),
    )
}


def drawn_gains(rng: np.random.Generator, count: int, drift: float) -> list[Gains]:
    """Return gains per channel for so many scans; of a strong drift the first go to its ends."""
    if drift < 0.1:
        return [_gains(np.clip(rng.normal(1, drift, 3), 0.85, 1.2)) for _ in range(count)]
    ends = [np.array(signs) * drift for signs in ((-1, -1, -1), (1, 0.2, -1), (1, 1, 1))]
    drawn = [*ends, *rng.uniform(-drift, drift, (max(count - 3, 0), 3))]
    return [_gains(1 + part) for part in drawn[:count]]


def _gains(values: np.ndarray) -> Gains:
    red, green, blue = (float(value) for value in values)
    return red, green, blue


def case_scans(case: Case, setup: Setup, seed: int) -> list[ModelScan]:
    """Return the scans of one roll of a case, one a strip; all random follows from the seed."""
    rng = np.random.default_rng([seed, *case.name.encode()])
    camera = Camera(flare=float(rng.uniform(0, 0.006)))
    specs = case.frames(rng, setup.frames)
    roll = Roll(setup.film, tuple(specs), camera=camera, first_number=1, seed=seed)
    count = -(-len(specs) // case.frames_a_strip)
    strips = cut_roll(roll, case.frames_a_strip, rng.normal(0, 0.3, count).tolist())
    gains = drawn_gains(rng, count, case.drift)
    return scan_strips(
        strips, 1, gains, seed, scanner=setup.scanner, ppi=setup.ppi, open_gate=OPEN_GATE
    )
