"""Whole rolls: one plan scanned strip by strip, and plans drawn at random by a seed."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from .assemble import ModelScan, make_scan
from .holder import Holder
from .painted import painted_names
from .picture import picture_names
from .roll import Camera, FrameSpec, Roll, StripSpec
from .scanner import load_scanner, scanner_names
from .scene import Scene
from .stock import film_names

FRAMES_PER_STRIP = {
    "135": 6,
    "135-half": 12,
    "135-square": 8,
    "135-panorama": 3,
    "120-6x4.5": 4,
    "120-6x6": 3,
    "120-6x7": 3,
    "120-6x9": 2,
}
FRAMES_PER_ROLL = {
    "135": 36,
    "135-half": 72,
    "135-square": 50,
    "135-panorama": 20,
    "120-6x4.5": 16,
    "120-6x6": 12,
    "120-6x7": 10,
    "120-6x9": 8,
}
HARD_SCENES = {"doorway", "half-black", "leafy-edges", "night-sky"}
LEFT_OUT = {"dark", "steps", "grey", "coins"} | HARD_SCENES
GREY_PICTURES = {"grass", "gravel", "brick", "moon"}
Gains = tuple[float, float, float]


def cut_roll(
    roll: Roll,
    frames_per_strip: int | None = None,
    angles_deg: Sequence[float] = (),
    **placing: bool,
) -> list[StripSpec]:
    """Cut a roll into strips in order; angles_deg are used in turn, missing ones are 0."""
    size = frames_per_strip or FRAMES_PER_STRIP[roll.format]
    firsts = range(0, len(roll.frames), size)
    angles = [*angles_deg, *[0.0] * len(firsts)]
    return [
        StripSpec(roll, first, size, angle, **placing)
        for first, angle in zip(firsts, angles, strict=False)
    ]


def scan_strips(
    strips: Sequence[StripSpec],
    per_scan: int = 1,
    gains: Sequence[Gains] = (),
    seed: int = 0,
    **options: object,
) -> list[ModelScan]:
    """Scan strips, `per_scan` together; gains go with the scans, options to `make_scan`."""
    groups = [strips[i : i + per_scan] for i in range(0, len(strips), per_scan)]
    drift = [*gains, *[(1.0, 1.0, 1.0)] * len(groups)]
    return [
        make_scan(group, seed=seed * 1000 + index, gains=gain, **options)  # type: ignore[arg-type]
        for index, (group, gain) in enumerate(zip(groups, drift, strict=False))
    ]


def random_frames(rng: np.random.Generator, count: int, charts: int = 1) -> list[FrameSpec]:
    """Draw scenes, crops and exposures as a roll might hold them, with charts among them."""
    names = [n for n in (*picture_names(), *painted_names()) if n not in LEFT_OUT]
    frames = []
    for _ in range(count):
        crop = (float(rng.random()), float(rng.random()), float(rng.uniform(0.6, 1.0)))
        name = str(rng.choice(names))
        tint = tuple(rng.uniform(0.4, 1.0, 3).tolist()) if name in GREY_PICTURES else (1, 1, 1)
        scene = Scene(
            name,
            crop,
            bool(rng.random() < 0.4),
            bool(rng.random() < 0.2),
            tint=tint,
            seed=int(rng.integers(1000)),
        )
        frames.append(FrameSpec(scene, float(np.clip(rng.normal(0.15, 0.5), -1.5, 2.0))))
    for index in rng.choice(count, size=min(charts, count), replace=False):
        frames[int(index)] = FrameSpec("chart", float(np.clip(rng.normal(0, 0.3), -0.7, 0.7)))
    return frames


def random_roll(
    seed: int,
    format: str = "135",
    film: str | None = None,
    scanner: str | None = None,
    ppi: float = 300.0,
    frames: int | None = None,
    per_scan: int = 1,
    drift: float = 0.04,
    charts: int = 1,
    faults: bool = True,
    turn_deg: int | None = None,
) -> list[ModelScan]:
    """Make a random roll: film, scanner, scenes, exposures, angles, gaps, gains, all by the seed.

    drift is the standard deviation of the gains from scan to scan; faults allows a blank frame, a
    light-struck leader and a light leak.
    """
    rng = np.random.default_rng([seed, 3])
    film = film or str(rng.choice(film_names()))
    scanner = scanner or str(
        rng.choice([n for n in scanner_names() if load_scanner(n).container_bits == 16])
    )
    specs = random_frames(rng, frames or FRAMES_PER_ROLL[format], charts)
    camera = Camera(
        pitch_error_mm=float(rng.normal(0.0, 0.08)),
        gap_jitter_mm=float(rng.uniform(0.03, 0.2)),
        gate_shift_mm=float(rng.normal(0, 0.15)),
        flare=float(rng.uniform(0, 0.006)),
        vignetting_stops=float(rng.uniform(0, 0.4)),
    )
    roll = Roll(
        film,
        tuple(specs),
        format,
        camera=camera,
        seed=seed,
        first_number=int(rng.integers(0, 3)) if format.startswith("135") else 1,
    )
    if faults:
        roll = _with_faults(roll, rng)
    count = len(cut_roll(roll))
    strips = cut_roll(
        roll, angles_deg=rng.normal(0, 0.35, count).tolist(), reversed=bool(rng.random() < 0.15)
    )
    gains = [tuple(g) for g in np.clip(rng.normal(1, drift, (count, 3)), 0.8, 1.09).tolist()]
    turn = int(rng.choice([0, 0, 90, 270])) if turn_deg is None else turn_deg
    holder = Holder(window_margin_mm=float(rng.uniform(0.6, 2.0)))
    return scan_strips(
        strips, per_scan, gains, seed, scanner=scanner, ppi=ppi, turn_deg=turn, holder=holder
    )


def _with_faults(roll: Roll, rng: np.random.Generator) -> Roll:
    """Add a blank frame now and then, and a light-struck leader."""
    specs = list(roll.frames)
    plain = [i for i, spec in enumerate(specs) if spec.scene != "chart"]
    if rng.random() < 0.5 and plain:
        index = int(rng.choice(plain))
        specs[index] = replace(specs[index], kind="blank")
    leader = float(rng.uniform(4, 20)) if rng.random() < 0.4 else 0.0
    return replace(roll, frames=tuple(specs), leader_mm=leader, light_struck_mm=leader * 0.6)
