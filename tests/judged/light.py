"""Light and base by condition, held against the film model's truth: a table of what is measured.

`python -m tests.judged.light --seeds 0 5` makes 5 random scans of every condition and prints a
row for each: strips refused, invented, told absolute or relative wrongly, and how far the base is
off in density where it is absolute. Conditions that rules were made on and those left out stand
apart.
"""

import argparse
import os
import tempfile
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.problem import ScanProblem
from pipeline.settings.settings import Settings
from pipeline.survey.scan import survey_scan
from tests.judged.light_cases import LightCase, light_cases
from tests.judged.roll import overlap

SAME_STRIP = 0.3
EXACT_BASE, EIGHT_BIT_BASE = 0.01, 0.03


@dataclass(frozen=True)
class JudgedLight:
    """What was measured of some scans, added up.

    `refused` counts true strips that nothing was found of, `extra` found ones that are none;
    `absolute_wrong` those told absolute without a gate to go by, or relative with one. `base_off`
    has the greatest error of each absolute base, `far` those beyond what the file allows.
    """

    strips: int = 0
    refused: int = 0
    extra: int = 0
    absolute_wrong: int = 0
    far: int = 0
    frames_amiss: int = 0
    base_off: tuple[float, ...] = ()
    seeds_amiss: tuple[int, ...] = ()

    def __add__(self, other: "JudgedLight") -> "JudgedLight":
        """Return both together."""
        return JudgedLight(**{k: getattr(self, k) + v for k, v in vars(other).items()})


def judged_light(case: LightCase, seed: int, folder: Path) -> JudgedLight:
    """Write the scan of a seed, survey it and hold gate and base against the truth."""
    scan, capture = case.make(seed)
    path = capture.write(folder, f"l{seed}", scan)
    try:
        found = survey_scan(path, Settings(scan_gamma=capture.scan_gamma)).strips
    except ScanProblem:
        found = ()
    finally:
        path.unlink()
    allowed = EXACT_BASE if capture.quality is None else EIGHT_BIT_BASE
    total = JudgedLight(extra=max(0, len(found) - len(scan.truth["strips"])))
    for told in scan.truth["strips"]:
        best = max(found, key=lambda one: overlap(one.outline, told["outline"]), default=None)
        if best is None or overlap(best.outline, told["outline"]) < SAME_STRIP:
            total += JudgedLight(strips=1, refused=1, seeds_amiss=(seed,))
            continue
        absolute = best.base.illumination.absolute
        off = float(np.abs(np.subtract(best.base.density, told["base_density"])).max())
        judged = absolute and case.gate == "seen" and case.tone_known
        pictures = [frame for frame in told["frames"] if frame["kind"] == "picture"]
        wrong = absolute != (case.gate == "seen")
        far = judged and off > allowed
        total += JudgedLight(
            strips=1,
            absolute_wrong=int(wrong),
            far=int(far),
            frames_amiss=int(len(pictures) != sum(f.kind == "picture" for f in best.frames)),
            base_off=(off,) if judged else (),
            seeds_amiss=(seed,) if wrong or far else (),
        )
    return total


HEAD = f"{'condition':28}strips refused extra abs.wrong frames  base med    max  far  seeds amiss"


def row_of(name: str, judged: JudgedLight) -> str:
    """Return one line of the table."""
    off = np.array(judged.base_off)
    figures = f"{np.median(off):9.3f}{off.max():7.3f}" if off.size else f"{'-':>9}{'-':>7}"
    return (
        f"{name:28}{judged.strips:6}{judged.refused:8}{judged.extra:6}{judged.absolute_wrong:10}"
        f"{judged.frames_amiss:7} {figures}{judged.far:5}  {list(judged.seeds_amiss) or ''}"
    )


def _job(job: tuple[str, int]) -> tuple[str, JudgedLight]:
    name, seed = job
    case = next(case for case in light_cases() if case.name == name)
    with tempfile.TemporaryDirectory() as folder:
        return name, judged_light(case, seed, Path(folder))


def judged_cases(jobs: Iterable[tuple[str, int]], workers: int) -> dict[str, JudgedLight]:
    """Judge (case, seed) one by one, in processes; return the sums by case."""
    sums: dict[str, JudgedLight] = {}
    with ProcessPoolExecutor(workers) as executor:
        for name, judged in executor.map(_job, jobs):
            sums[name] = sums.get(name, JudgedLight()) + judged
    return sums


def main() -> None:
    """Judge random scans of every condition and print a table."""
    parser = argparse.ArgumentParser(prog="tests.judged.light", description=main.__doc__)
    parser.add_argument("conditions", nargs="*", help="parts of their names; all by default")
    parser.add_argument("--seeds", nargs=2, type=int, default=(0, 3), metavar=("FIRST", "END"))
    parser.add_argument("--use", choices=["set", "left out"], help="only one half of the table")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    words = parser.parse_args()
    cases = [
        case for case in light_cases()
        if words.use in (None, case.use)
        and (not words.conditions or any(part in case.name for part in words.conditions))
    ]  # fmt: skip
    jobs = [(case.name, seed) for case in cases for seed in range(*words.seeds)]
    sums = judged_cases(jobs, words.workers)
    for use in ("set", "left out"):
        rows = [case.name for case in cases if case.use == use]
        if rows:
            print(f"{use}\n{HEAD}")
            for name in rows:
                print(row_of(name, sums[name]))
            print(row_of("all", sum((sums[name] for name in rows), JudgedLight())))


if __name__ == "__main__":
    main()
