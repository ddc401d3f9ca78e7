"""Contrast from wedges, brackets and charts of the film model: `python -m tests.judged.curve`.

Each scan is surveyed as a roll; its curve is held against the film's own, as the same scanner
sees it: the steepest slope of a neutral over 0.9 decades of exposure.
"""

import argparse
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.densities.roll_curve import FilmCurve
from pipeline.roll.survey import survey_roll
from pipeline.settings.reference import read_bracket, read_wedge
from pipeline.settings.settings import Roll, RollNotes, Settings
from tests.chart.wedged import Values, true_contrast
from tests.film_model import (
    Camera,
    FrameSpec,
    Process,
    film_names,
    make_scan,
    scanner_names,
    write_scan,
)
from tests.film_model import Roll as ModelRoll
from tests.film_model import StripSpec as Piece

STOPS = (-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0)
DEVELOPED = {"normal": 1.0, "under": 0.75, "far under": 0.55, "over": 1.2}


@dataclass(frozen=True)
class Kind:
    """What is photographed, and what roll.toml says of it; frames are numbered from 01."""

    name: str
    frames: tuple[FrameSpec, ...]
    notes: RollNotes


def kinds() -> dict[str, Kind]:
    """Return the ways to measure a curve."""
    other = (FrameSpec("coffee"), FrameSpec("hills"), FrameSpec("temple"))
    wedge = read_wedge({"frame": "02", "stops": 1})
    bracket = read_bracket(
        {"frames": [f"{n + 1:02}" for n in range(len(STOPS))], "stops": list(STOPS)}
    )
    greys = tuple(FrameSpec("grey", stops) for stops in STOPS)
    return {
        kind.name: kind
        for kind in (
            Kind("wedge", (other[0], FrameSpec("steps"), *other[1:]), RollNotes(wedge=wedge)),
            Kind("bracket", greys, RollNotes(bracket=bracket)),
            Kind("chart", (other[0], FrameSpec("chart"), *other[1:]), RollNotes()),
        )
    }


@dataclass(frozen=True)
class Measured:
    """A curve and its error, in per cent of the true contrast (3,); nothing where none is found."""

    curve: FilmCurve | None
    off: Values


def measured(
    kind: Kind, film: str, scanner: str, process: Process, seed: int, ppi: float, camera: Camera
) -> Measured:
    """Scan and survey a roll, and hold its curve against the truth."""
    roll = ModelRoll(film, kind.frames, process=process, camera=camera, first_number=1, seed=seed)
    scan = make_scan([Piece(roll, 0, len(kind.frames))], scanner, ppi=ppi, seed=seed)
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(1) as executor:
        path = Path(write_scan(Path(folder), "s", scan))
        roll_to_do = Roll("r", (path,), kind.notes, Settings())
        curve = survey_roll(roll_to_do, executor, lambda event: None).curve
    if curve is None:
        return Measured(None, np.full(3, np.nan))
    truth = true_contrast(film, scanner, process)
    return Measured(curve, 100.0 * (np.array(curve.contrast) / truth - 1.0))


def cases(words: argparse.Namespace) -> Iterator[tuple[str, str, str, str, Measured]]:
    """Yield kind, film, scanner, development and what was measured."""
    rng = np.random.default_rng(1)
    for name in words.kinds:
        for film in words.films:
            for scanner in words.scanners:
                for developed in words.developed:
                    camera = Camera(
                        flare=float(rng.uniform(0, 0.006)),
                        vignetting_stops=float(rng.uniform(0, words.vignetting)),
                    )
                    process = Process(contrast=(DEVELOPED[developed],) * 3)
                    seed = int(rng.integers(1000))
                    found = measured(kinds()[name], film, scanner, process, seed, words.ppi, camera)
                    yield name, film, scanner, developed, found


def line_of(name: str, film: str, scanner: str, developed: str, found: Measured) -> str:
    """Return one line of the table."""
    head = f"{name:8} {film} {scanner} {developed:9}"
    if found.curve is None:
        return f"{head} no curve"
    steps = len(found.curve.log_exposure)
    error = 100.0 * np.array(found.curve.contrast_error) / np.array(found.curve.contrast)
    off = " ".join(f"{value:+5.1f}" for value in found.off)
    return f"{head} {steps:3d} steps  {off}  (told {error.max():.1f})"


def main() -> None:
    """Print errors of the contrast in per cent by what was photographed, film and scanner."""
    parser = argparse.ArgumentParser(prog="tests.judged.curve", description=__doc__)
    parser.add_argument("--kinds", nargs="+", default=list(kinds()), choices=list(kinds()))
    parser.add_argument("--films", nargs="+", default=film_names(), choices=film_names())
    parser.add_argument("--scanners", nargs="+", default=scanner_names(), choices=scanner_names())
    parser.add_argument(
        "--developed", nargs="+", default=["normal"], choices=list(DEVELOPED), help="development"
    )
    parser.add_argument("--ppi", type=float, default=150.0)
    parser.add_argument("--vignetting", type=float, default=0.4, help="at most, stops in a corner")
    words = parser.parse_args()
    print("kind     film   scanner   developed   steps   error of R, G, B in per cent")
    offs: dict[str, list[Values]] = {}
    for name, film, scanner, developed, found in cases(words):
        print(line_of(name, film, scanner, developed, found), flush=True)
        offs.setdefault(name, []).append(found.off)
    for name, rows in offs.items():
        off = np.array(rows)
        known = np.isfinite(off).all(axis=1)
        within = float(np.mean((np.abs(off[known]) < 5).all(axis=1))) if known.any() else 0.0
        print(
            f"{name}: {known.sum()} of {len(off)} measured; root mean square "
            f"{np.sqrt(np.mean(off[known] ** 2)):.1f} %, worst {np.abs(off[known]).max():.1f} %, "
            f"within 5 % on {100 * within:.0f} %"
        )


if __name__ == "__main__":
    main()
