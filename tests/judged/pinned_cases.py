"""Drawn rolls whose figures are pinned: few frames at low resolution, of every kind of trouble."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from pipeline.settings.reference import read_bracket, read_references, read_wedge
from pipeline.settings.settings import RollNotes, Settings
from tests.film_model import (
    Camera,
    FrameSpec,
    Holder,
    ModelScan,
    Process,
    Roll,
    Scene,
    StripSpec,
    cut_roll,
    make_scan,
    scan_strips,
)
from tests.judged.colour_cases import CASES, Case, Setup, case_scans
from tests.judged.fault_cases import FAULT_CASES, fault_scans
from tests.judged.strip_cases import StripCase, strip_cases

PPI = 120.0
SEED = 7
# Hard conditions have room for more than one roll.
MORE_SEEDS: Mapping[str, tuple[int, ...]] = {
    "blanks": (1, 2),
    "dark scenes": (3,),
    "overlaps": (4,),
    "cut in mid-frame": (2,),
    "glass reflections": (3,),
    "light leak": (1,),
    "touching border": (5,),
    "leader": (2,),
    "white surround": (4,),
    "doorway": (2,),
}
STOPS = (-2.0, -1.0, 0.0, 1.0, 2.0)
SOUND = ("coffee", "hills", "table", "temple")


@dataclass(frozen=True)
class PinnedCase:
    """One roll: how its scans are drawn, and what the user says of it."""

    name: str
    draw: Callable[[], Sequence[ModelScan]]
    settings: Settings = field(default_factory=Settings)
    notes: RollNotes = field(default_factory=RollNotes)


def pinned_cases() -> tuple[PinnedCase, ...]:
    """Return all cases; the first ones are strips by condition."""
    return (*strips_by_condition(), *_holders(), *_colours(), *_faults(), *_curves(), *_dusty())


def strips_by_condition() -> tuple[PinnedCase, ...]:
    """Return a scan of every condition that frame finding is measured on."""
    return tuple(
        PinnedCase(f"strip {case.name} {seed}", partial(_strip, case, seed))
        for case in strip_cases()
        for seed in (SEED, *MORE_SEEDS.get(case.name, ()))
    )


def _strip(case: StripCase, seed: int) -> list[ModelScan]:
    return [case.make(seed, PPI)]


def _scanned(frames: Sequence[FrameSpec | str], film: str = "film-b", **options: object):  # type: ignore[no-untyped-def]
    """Return what draws one strip of these frames; `process` and `camera` are the roll's."""
    specs = [FrameSpec(each) if isinstance(each, str) else each for each in frames]
    told = {name: options.pop(name) for name in ("process", "camera") if name in options}
    roll = Roll(film, tuple(specs), first_number=1, seed=3, **told)  # type: ignore[arg-type]
    common = {"ppi": 150.0, "seed": 3}
    return lambda: [make_scan([StripSpec(roll, 0, len(specs))], **common | options)]  # type: ignore[arg-type]


def _holders() -> tuple[PinnedCase, ...]:
    """Return strips whose scanner or holder hides something, and film that is not colour's."""
    silver = ("table", "hills", "coffee")
    # A gate at 1.3 of full scale is clipped, and densities are relative.
    return (
        PinnedCase("no open gate", _scanned(SOUND[:3], open_gate=1.3)),
        PinnedCase("tight holder", _scanned(SOUND[:3], holder=Holder(window_margin_mm=-1.0))),
        PinnedCase("silver", _scanned(silver, "film-silver")),
        PinnedCase("silver without gate", _scanned(silver, "film-silver", open_gate=1.3)),
        PinnedCase("silver as told", _scanned(silver, "film-silver"), Settings(monochrome=True)),
        PinnedCase("base as told", _scanned(SOUND[:2]), Settings(base=(0.2, 0.6, 0.85))),
        PinnedCase("scanner as told", _scanned(SOUND), Settings(scanner_profile="narrow-band")),
        PinnedCase("steps and greys", _scanned(("steps", "coins", "grey"))),
        PinnedCase("dense base", _scanned(SOUND[:3], process=Process(stain=0.4))),
    )


def _colours() -> tuple[PinnedCase, ...]:
    """Return rolls of varied colour, and of one colour, with and without what tells of it."""
    setup = Setup("film-c", "scanner-b", 110.0, 7)
    plain = Settings(reference=())
    drift = replace(CASES["daylight"], name="drift", drift=0.25)

    def case(name: str, kind: Case, settings: Settings, setup: Setup = setup) -> PinnedCase:
        return PinnedCase(f"colour {name}", partial(case_scans, kind, setup, 2), settings)

    beach = Setup("film-e", "scanner-c", 110.0, 7)
    return (
        case("daylight", CASES["daylight"], Settings()),
        case("drift", drift, plain),
        case("exposure", CASES["exposure"], Settings(even_exposure=True, reference=())),
        case("forest", CASES["forest"], plain),
        case("night", CASES["night"], plain),
        case("beach", CASES["beach"], plain, beach),
        PinnedCase("grey card", _scanned(("coffee", "grey", "hills")), _grey("02")),
        PinnedCase("uneven light", _scanned(_lit()), Settings(even_exposure=True)),
        PinnedCase("far too light", _scanned(_over(4.0)), Settings(even_exposure=True)),
        PinnedCase("all alike", _scanned(("leaves", "leaves", "leaves", "coffee")), plain),
        PinnedCase("night alone", _scanned(("street-night", "stars", "quay")), plain),
    )


def _grey(frame: str) -> Settings:
    return Settings(reference=read_references(frame))


def _lit() -> tuple[FrameSpec, ...]:
    return tuple(
        FrameSpec(Scene(name), stops)
        for name, stops in zip(SOUND, (-1.5, 0.0, 0.3, 2.0), strict=True)
    )


def _over(stops: float) -> tuple[FrameSpec, ...]:
    return tuple(FrameSpec(Scene(name), stops) for name in SOUND[:3])


def _faults() -> tuple[PinnedCase, ...]:
    """Return a strip of every fault, with its rebate in view and, of some, without."""

    def case(name: str, scanner: str, rebate: bool) -> PinnedCase:
        draw = partial(
            fault_scans, FAULT_CASES[name], "film-a", scanner, 4, rebate, frames=4, ppi=150.0
        )
        return PinnedCase(f"fault {name}{'' if rebate else ' hidden'}", draw)

    hidden = ("under-exposed 2 stops", "under-developed 0.65", "crossover", "fogged")
    return (
        *(case(name, "scanner-b", True) for name in FAULT_CASES),
        *(case(name, "scanner-a", False) for name in hidden),
        PinnedCase("several strips of a roll", _several, notes=RollNotes(expected_frames=12)),
    )


def _several() -> list[ModelScan]:
    """Return two short strips of a roll with numbers missing between them, a blank among them."""
    frames = [FrameSpec(name) for name in (*SOUND, *SOUND)]
    frames[1] = FrameSpec(kind="blank")
    roll = Roll("film-d", tuple(frames), first_number=4, seed=5)
    strips = [cut_roll(roll, 3)[place] for place in (0, 2)]
    return scan_strips(strips, 1, [(1, 1, 1), (0.8, 0.9, 1)], 5, scanner="scanner-c", ppi=PPI)


def _curves() -> tuple[PinnedCase, ...]:
    """Return what measures the film's curve: a wedge, a bracketed card, a chart."""
    camera = Camera(flare=0.003, vignetting_stops=0.2)
    greys = tuple(FrameSpec("grey", stops) for stops in STOPS)
    names = [f"{n + 1:02}" for n in range(len(STOPS))]
    bracket = RollNotes(bracket=read_bracket({"frames": names, "stops": list(STOPS)}))
    wedge = RollNotes(wedge=read_wedge({"frame": "02", "stops": 1}))
    held = ("coffee", FrameSpec(Scene("chart-in-scene", seed=5)), "hills")
    return (
        PinnedCase("wedge", _scanned(("coffee", "steps", "hills"), camera=camera), notes=wedge),
        PinnedCase("bracket", _scanned(greys, camera=camera), notes=bracket),
        PinnedCase("chart", _scanned(("coffee", "chart", "hills"), "film-d", camera=camera)),
        PinnedCase("chart in a scene", _scanned(held, "film-f", ppi=200.0)),
    )


def _dusty() -> tuple[PinnedCase, ...]:
    """Return strips with an infra-red plane: clean, dusty, out of place, with silver in it."""
    options = {"infrared": True, "ppi": 200.0}
    beside = options | {"infrared_shift_px": (0.6, -1.0), "scanner": "scanner-c"}
    left = Process(retained_silver=0.5)
    return (
        PinnedCase("infra-red clean", _scanned(SOUND[:2], **options)),
        PinnedCase("infra-red dusty", _scanned(SOUND[:2], dust_count=90, **options)),
        PinnedCase("infra-red beside", _scanned(SOUND[:2], dust_count=90, **beside)),
        PinnedCase("infra-red silver", _scanned(SOUND[:2], process=left, **options)),
        PinnedCase("infra-red film-silver", _scanned(SOUND[:2], "film-silver", **options)),
    )


def fixed_generator(name: str) -> np.random.Generator:
    """Return a generator that a name seeds."""
    return np.random.default_rng([*name.encode()])
