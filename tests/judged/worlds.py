"""Judged tables on film, scanners and cameras that constants were set on, and on others.

`python -m tests.judged.worlds frames --seeds 0 4` prints each figure twice: on worlds that are
`used`, and on worlds that are `left-out` of all fitting (tests/film_model/wide_*.toml,
cameras.toml). A gain on the first column alone is no gain. Tables: frames, base, colour, diagnosis.
"""

import argparse
import itertools
import os
import tempfile
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.film_model import ModelScan, Plan, StripSpec, load_scanner, random_plan
from tests.film_model.cameras import CameraKind, cameras_of
from tests.film_model.random_roll import random_roll
from tests.film_model.scanner import Scanner, scanners_of
from tests.film_model.stock import films_of
from tests.judged.colour import judged as judged_colour
from tests.judged.colour import kept_roll, solved
from tests.judged.colour_cases import CASES, Setup
from tests.judged.diagnosis import judged_case
from tests.judged.fault_cases import FAULT_CASES
from tests.judged.roll import ScansRefused, surveyed
from tests.judged.roll import judged as judged_roll
from tests.judged.strip_cases import strip_cases
from tests.judged.strips import TOLERANCE_MM, Judged, judged_scan

SPLITS = ("used", "left-out")
RELIABILITY_BOUNDS = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0)
Rng = np.random.Generator
# Figures by name, each a list of single values over which the table takes the mean.
Figures = Mapping[str, Sequence[float]]


@dataclass(frozen=True)
class World:
    """A film and a scanner of the film model, by their names."""

    film: str
    scanner: str

    def of_plan(self, plan: Plan) -> Plan:
        """Return a plan with this world's film and scanner; a scanner's file is kept."""

        def refilmed(strip: StripSpec) -> StripSpec:
            return replace(strip, roll=replace(strip.roll, film=self.film))

        scanner: str | Scanner = self.scanner
        if isinstance(plan.scanner, Scanner):
            old = plan.scanner
            kept = {k: getattr(old, k) for k in ("bits", "container_bits", "gamma", "tone")}
            scanner = replace(load_scanner(self.scanner), **kept)
        return replace(plan.with_strips(refilmed), scanner=scanner)


def draw_world(rng: Rng, split: str) -> World:
    """Draw a film and a scanner, both of a split."""
    return World(str(rng.choice(films_of(split))), str(rng.choice(scanners_of(split))))


def condition_scan(name: str, split: str, seed: int, ppi: float) -> ModelScan:
    """Return a scan of one of the conditions of `strip_cases` in a world of a split."""
    case = next(case for case in strip_cases() if case.name == name)
    rng = np.random.default_rng([seed, *name.encode(), *split.encode()])
    return draw_world(rng, split).of_plan(case.plan(seed)).scan(ppi)


def camera_scan(format: str, split: str, seed: int, ppi: float) -> ModelScan:
    """Return a strip that a camera of a split took in a format, in a world of the split."""
    rng = np.random.default_rng([seed, *format.encode(), *split.encode()])
    plan = draw_camera(rng, [kind for kind in cameras_of(split) if kind.format == format])
    return draw_world(rng, split).of_plan(plan).scan(ppi)


def mixed_scan(split: str, seed: int, ppi: float) -> ModelScan:
    """Return a strip of half frames with one or two full ones among them, or the other way."""
    rng = np.random.default_rng([seed, 77, *split.encode()])
    kinds = cameras_of(split)
    half = bool(rng.random() < 0.5)
    first, second = ("135-half", "135") if half else ("135", "135-half")
    other = draw_length(rng, [kind for kind in kinds if kind.format == second])
    plan = draw_camera(rng, [kind for kind in kinds if kind.format == first])

    def mixed(strip: StripSpec) -> StripSpec:
        frames = list(strip.roll.frames)
        count = int(rng.integers(1, 3))
        inside = range(strip.first, strip.first + strip.count)
        for index in rng.choice(inside, count, replace=False):
            frames[int(index)] = replace(frames[int(index)], along_mm=other)
        return replace(strip, roll=replace(strip.roll, frames=tuple(frames)))

    return draw_world(rng, split).of_plan(plan.with_strips(mixed)).scan(ppi)


def draw_camera(rng: Rng, kinds: Sequence[CameraKind]) -> Plan:
    """Draw a plan of one strip that a camera of one of these kinds took."""
    kind = kinds[int(rng.integers(len(kinds)))]
    return random_plan(rng, kind.format, camera=kind.drawn(rng))


def draw_length(rng: Rng, kinds: Sequence[CameraKind]) -> float:
    """Draw a gate's length (mm) of one of these kinds."""
    return float(rng.uniform(*kinds[int(rng.integers(len(kinds)))].along_mm))


CAMERA_ROWS = tuple(
    f"cameras {form}" for form in dict.fromkeys(kind.format for kind in cameras_of("used"))
)


def frame_rows() -> tuple[str, ...]:
    """Return the rows of the table of frames: cameras by format, a mixture, and conditions."""
    return (*CAMERA_ROWS, "cameras mixed", *(case.name for case in strip_cases()))


def _frame_scan(row: str, split: str, seed: int, ppi: float) -> ModelScan:
    if row == "cameras mixed":
        return mixed_scan(split, seed, ppi)
    if row in CAMERA_ROWS:
        return camera_scan(row.removeprefix("cameras "), split, seed, ppi)
    return condition_scan(row, split, seed, ppi)


def judged_frames(row: str, split: str, seed: int, ppi: float) -> Figures:
    """Return what of the frames of one scan is right: counts, corners, confidence."""
    with tempfile.TemporaryDirectory() as folder:
        found = judged_scan(_frame_scan(row, split, seed, ppi), Path(folder), seed)
    return frame_figures(found)


def frame_figures(found: Judged) -> Figures:
    """Return the figures of judged strips; `in ...` has the frames told within such confidence."""
    off = np.array(found.corner_mm) > TOLERANCE_MM
    told = np.array(found.confidence)
    exact = [1.0] * found.exact + [0.0] * (found.strips - found.exact)
    figures: dict[str, Sequence[float]] = {
        "exact": exact,
        "corner off": off.astype(float).tolist(),
        "corner mm": list(found.corner_mm),
    }
    bounds = RELIABILITY_BOUNDS
    for low, high in itertools.pairwise(bounds):
        within = (told >= low) & ((told < high) | (high == bounds[-1]))
        figures[f"in {low:.2f}-{high:.2f} right"] = (~off[within]).astype(float).tolist()
    return figures


def judged_base(format: str, split: str, seed: int, ppi: float) -> Figures:
    """Return the greatest error of each strip's base on one random roll, or that it was refused."""
    rng = np.random.default_rng([seed, 5, *split.encode()])
    world = draw_world(rng, split)
    scans = random_roll(seed, format, world.film, world.scanner, ppi, frames=8)
    with tempfile.TemporaryDirectory() as folder:
        try:
            roll = surveyed(scans, Path(folder))
        except ScansRefused:
            return {"refused": [1.0]}
        found = judged_roll(roll, {f"s{n}.tif": scan.truth for n, scan in enumerate(scans)})
    return {
        "refused": [0.0],
        "base off": list(found.base_off),
        "missed": [float(len(found.missed))],
    }


def judged_colours(case: str, split: str, seed: int, ppi: float) -> Figures:
    """Return errors of one roll's charts, CIEDE2000 and C*ab of greys, or that it was refused."""
    world = draw_world(np.random.default_rng([seed, 6, *split.encode()]), split)
    with tempfile.TemporaryDirectory() as folder:
        setup = Setup(world.film, world.scanner, ppi)
        try:
            kept = kept_roll(CASES[case], setup, seed, None, Path(folder))
        except ScansRefused:
            return {"refused": [1.0]}
    found = judged_colour(kept, solved(kept, kept.roll.profile))
    return {
        "refused": [0.0],
        "chart": found.mean,
        "grey lin": found.linear,
        "grey prn": found.printed,
    }


def judged_diagnosis(case: str, split: str, seed: int, ppi: float) -> Figures:
    """Return whether the first finding of one faulty roll is the right one (1 or 0)."""
    world = draw_world(np.random.default_rng([seed, 7, *split.encode()]), split)
    told = judged_case(case, world.film, world.scanner, seed, True, ppi, False)
    return {"first right": [float(told.told == told.code)]}


@dataclass(frozen=True)
class Table:
    """A judged table: its rows, and what measures one row in a world of a split by a seed."""

    rows: tuple[str, ...]
    measure: Callable[[str, str, int, float], Figures]
    ppi: float


TABLES: Mapping[str, Table] = {
    "frames": Table(frame_rows(), judged_frames, 200.0),
    "base": Table(("135", "120-6x6"), judged_base, 200.0),
    "colour": Table(tuple(CASES), judged_colours, 150.0),
    "diagnosis": Table(tuple(FAULT_CASES), judged_diagnosis, 200.0),
}


Key = tuple[str, str, str]


def _job(job: tuple[str, str, str, int, float]) -> tuple[str, str, Figures]:
    table, row, split, seed, ppi = job
    return row, split, TABLES[table].measure(row, split, seed, ppi)


def pages(values: Mapping[Key, Sequence[float]], rows: Sequence[str]) -> str:
    """Return the table as text: a line a figure, means of used and left-out worlds beside it.

    `values` has the single values by row, figure and split; the last block has all rows together.
    """
    names = list(dict.fromkeys(figure for _, figure, _ in values))
    together = {
        ("together", name, split): [
            value for row in rows for value in values.get((row, name, split), ())
        ]
        for name in names
        for split in SPLITS
    }
    lines = [f"{'':46}" + "".join(f"{split:>18}" for split in SPLITS)]
    for row in (*rows, "together"):
        for name in names:
            each = [(values | together).get((row, name, split), ()) for split in SPLITS]
            if any(each):
                cells = (f"{np.mean(e):9.3f} of {len(e):5}" if e else f"{'-':>17}" for e in each)
                lines.append(f"{row:22}{name:24}" + " ".join(cells))
    return "\n".join(lines)


def main() -> None:
    """Judge rolls or strips on worlds of both splits and print the figures side by side."""
    parser = argparse.ArgumentParser(prog="tests.judged.worlds", description=main.__doc__)
    parser.add_argument("table", choices=TABLES)
    parser.add_argument("rows", nargs="*", help="parts of their names; all by default")
    parser.add_argument("--seeds", nargs=2, type=int, default=(0, 2), metavar=("FIRST", "END"))
    parser.add_argument("--splits", nargs="+", default=SPLITS, choices=SPLITS)
    parser.add_argument("--ppi", type=float)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    words = parser.parse_args()
    table = TABLES[words.table]
    rows = [row for row in table.rows if not words.rows or any(p in row for p in words.rows)]
    jobs = [
        (words.table, row, split, seed, words.ppi or table.ppi)
        for row in rows
        for split in words.splits
        for seed in range(*words.seeds)
    ]
    values: dict[Key, list[float]] = defaultdict(list)
    with ProcessPoolExecutor(words.workers) as executor:
        for row, split, figures in executor.map(_job, jobs):
            for name, found in figures.items():
                values[row, name, split] += found
    print(pages(values, rows))


if __name__ == "__main__":
    main()
