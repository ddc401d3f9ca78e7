"""Plans of single scans drawn at random: strips, cameras, holders, scanners and their faults."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from .film_format import load_format
from .holder import Holder
from .plan import Plan
from .random_roll import FRAMES_PER_STRIP, Gains, random_frames
from .roll import Camera, FrameSpec, LightLeak, Roll, StripSpec, lay_out
from .scanner import load_scanner, scanner_names
from .stock import Process, film_names

EIGHT_BIT_SHARE = 0.15
FrameChange = Callable[[np.random.Generator, FrameSpec], FrameSpec]


def random_plan(
    rng: np.random.Generator,
    format: str = "135",
    count: int | None = None,
    change: FrameChange | None = None,
    **roll: object,
) -> Plan:
    """Draw a plan for one strip; change alters each frame as drawn, `roll` sets the roll's fields.

    The strip is the start, the middle or the end of a roll that has two frames more.
    """
    strip = random_strip(rng, format, count, change, **roll)
    return Plan(
        (strip,),
        random_holder(rng),
        random_scanner(rng),
        gains=_gains(rng),
        turn_deg=int(rng.choice([0, 0, 0, 180])),
        seed=int(rng.integers(2**31)),
    )


def random_strip(
    rng: np.random.Generator,
    format: str = "135",
    count: int | None = None,
    change: FrameChange | None = None,
    **roll: object,
) -> StripSpec:
    """Draw a roll and cut one strip from it."""
    most = FRAMES_PER_STRIP[format]
    count = count or int(rng.integers((most + 1) // 2, most + 1))
    frames = random_frames(rng, count + 2, charts=int(rng.random() < 0.3))
    if change:
        frames = [change(rng, spec) for spec in frames]
    fields = {"film": str(rng.choice(film_names())), "camera": random_camera(rng), **roll}
    drawn = Roll(
        frames=tuple(frames),
        format=format,
        seed=int(rng.integers(2**31)),
        first_number=int(rng.integers(0, 30)),
        **fields,  # type: ignore[arg-type]
    )
    return StripSpec(
        drawn,
        first=int(rng.integers(0, 3)),
        count=count,
        angle_deg=float(np.clip(rng.normal(0, 0.35), -0.9, 0.9)),
        trim_mm=tuple(rng.uniform(-0.4, 0.4, 2).tolist()),
    )


def random_camera(rng: np.random.Generator) -> Camera:
    """Draw a camera as for whole rolls."""
    return Camera(
        pitch_error_mm=float(rng.normal(0.0, 0.08)),
        gap_jitter_mm=float(rng.uniform(0.03, 0.2)),
        gate_shift_mm=float(rng.normal(0, 0.15)),
        flare=float(rng.uniform(0, 0.006)),
        vignetting_stops=float(rng.uniform(0, 0.4)),
    )


def random_holder(rng: np.random.Generator) -> Holder:
    """Draw an opaque holder with open light all round the film."""
    return Holder(
        window_margin_mm=float(rng.uniform(0.6, 2.0)),
        end_margin_mm=float(rng.uniform(1.5, 6.0)),
        border_mm=float(rng.uniform(2.5, 8.0)),
    )


def random_scanner(rng: np.random.Generator) -> str:
    """Draw a scanner, seldom one of 8 bits."""
    bits = 8 if rng.random() < EIGHT_BIT_SHARE else 16
    return str(rng.choice([n for n in scanner_names() if load_scanner(n).container_bits == bits]))


def _gains(rng: np.random.Generator) -> Gains:
    return _triple(np.clip(rng.normal(1, 0.04, 3), 0.8, 1.09))


def usual_gap_mm(format: str) -> float:
    """Return the gap that a format's pitch leaves between images of nominal size."""
    form = load_format(format)
    return form.pitch_mm - form.image_mm[0]


def spaced(strip: StripSpec, gaps_mm: Sequence[float | None]) -> StripSpec:
    """Return a strip with these gaps before the roll's frames: None as usual, negative overlaps."""
    usual = usual_gap_mm(strip.roll.format)
    frames = tuple(
        replace(spec, gap_mm=0.0 if gap is None else gap - usual)
        for spec, gap in zip(strip.roll.frames, gaps_mm, strict=True)
    )
    camera = replace(strip.roll.camera, gap_jitter_mm=0.0, pitch_error_mm=0.0)
    return replace(strip, roll=replace(strip.roll, frames=frames, camera=camera))


def random_leaks(rng: np.random.Generator, strip: StripSpec) -> tuple[LightLeak, ...]:
    """Draw 1 to 3 light leaks over gaps of a strip of two frames or more."""
    gates = lay_out(strip.roll).gates[strip.first : strip.first + strip.count]
    leaks = []
    for _ in range(int(rng.integers(1, 4))):
        at = int(rng.integers(0, len(gates) - 1))
        middle = (gates[at].u1_mm + gates[at + 1].u0_mm) / 2
        leaks.append(
            LightLeak(
                at_mm=middle + float(rng.normal(0, 1.5)),
                width_mm=float(rng.uniform(2, 12)),
                depth_mm=float(rng.uniform(5, 40)),
                stops=float(rng.uniform(-1, 4)),
                edge=str(rng.choice(["top", "bottom"])),
            )
        )
    return tuple(leaks)


def random_faded(rng: np.random.Generator) -> Process:
    """Draw a run that developed too little, or film fogged before it, or both."""
    thin, fogged = rng.random(2) < 0.6
    contrast, speed, fog = np.ones(3), 0.0, np.zeros(3)
    if thin or not fogged:
        contrast = rng.uniform(0.35, 0.7) * rng.uniform(0.9, 1.1, 3)
        speed = float(rng.uniform(-0.3, 0))
    if fogged:
        fog = rng.uniform(0.05, 0.5, 3)
    return Process(
        contrast=_triple(contrast),
        speed=(speed, speed, speed),
        fog=_triple(fog),
        stain=float(rng.uniform(0, 0.1)),
    )


def _triple(values: np.ndarray) -> tuple[float, float, float]:
    red, green, blue = values.tolist()
    return red, green, blue
