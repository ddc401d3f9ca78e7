"""Strips of the film model by condition, held against their truth: a table of what is found.

`python -m tests.strip_benchmark --seeds 0 20` makes 20 random scans of every condition and
prints one row for each: strips lost and invented, strips with exactly the true frames, errors
of the frames' corners, what a confidence of 0.9 is worth, and numbers read off the film's edge.
"""

import argparse
import os
import tempfile
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.frame_survey import FrameSurvey
from pipeline.frames import CLEAR
from pipeline.kinds import HOLDS_PICTURE
from pipeline.numbering import number_roll, with_roll_numbers
from pipeline.problem import ScanProblem
from pipeline.settings import Settings
from pipeline.strip_survey import StripSurvey
from pipeline.survey import survey_scan
from tests.film_model import ModelScan, write_scan
from tests.judged_roll import overlap, two_digits
from tests.strip_cases import strip_cases

Truth = dict[str, Any]

TOLERANCE_MM = 0.25
SAME_STRIP, SAME_FRAME = 0.3, 0.5
# Slivers of a picture, shorter along the film than this share of its height, are no frames.
LEAST_SHARE = 0.12


@dataclass(frozen=True)
class Judged:
    """What was found of the strips of some scans, added up.

    `corner_mm` has the worst corner of each frame that was found, `confidence` what it was told
    with. `numbers` counts numbers from the edge, `wrong` those that are not the model's.
    """

    strips: int = 0
    lost: int = 0
    invented: int = 0
    exact: int = 0
    missed: int = 0
    extra: int = 0
    blanks_written: int = 0
    numbers: int = 0
    wrong: int = 0
    readable: int = 0
    read: int = 0
    corner_mm: tuple[float, ...] = ()
    confidence: tuple[float, ...] = ()
    seeds_amiss: tuple[int, ...] = field(default=())

    def __add__(self, other: "Judged") -> "Judged":
        """Return both together."""
        return Judged(**{k: getattr(self, k) + v for k, v in vars(other).items()})


def judged_scan(scan: ModelScan, folder: Path, seed: int = 0) -> Judged:
    """Write a scan, survey it and hold what is found against its truth."""
    path = Path(write_scan(folder, f"s{seed}", scan))
    try:
        found = survey_scan(path, Settings()).strips
    except ScanProblem:
        found = ()
    finally:
        path.unlink()
    return judged_strips(found, scan.truth, seed)


def judged_strips(found: Sequence[StripSurvey], truth: Truth, seed: int = 0) -> Judged:
    """Hold the strips found in a scan against its truth."""
    pixel_mm = 25.4 / truth["ppi"]
    total, used = Judged(), set()
    for told in truth["strips"]:
        best = max(found, key=lambda one: overlap(one.outline, told["outline"]), default=None)
        if best is None or overlap(best.outline, told["outline"]) < SAME_STRIP:
            total += Judged(strips=1, lost=1, seeds_amiss=(seed,))
            continue
        used.add(id(best))
        total += _judged_strip(best, told, pixel_mm, seed)
    invented = len(found) - len(used)
    return total + Judged(invented=invented, seeds_amiss=(seed,) * invented)


def _judged_strip(strip: StripSurvey, told: Truth, pixel_mm: float, seed: int) -> Judged:
    (strip,) = with_roll_numbers((strip,))
    (numbers,) = number_roll((strip,), None)
    given = {id(f): n for f, n in zip(strip.frames, numbers, strict=True)}
    true = [one for one in told["frames"] if _is_picture(one)]
    blank = [one for one in told["frames"] if one["kind"] == "blank"]
    written = [frame for frame in strip.frames if frame.kind in HOLDS_PICTURE]
    pairs = [(one, _covering(written, one)) for one in true]
    hits = [(one, frame) for one, frame in pairs if frame is not None]
    extra = [f for f in written if all(f is not frame for _, frame in hits)]
    exact = len(hits) == len(true) and not extra and len({id(f) for _, f in hits}) == len(true)
    edge = [(one, given[id(f)]) for one, f in hits if given[id(f)].number_from == "edge"]
    readable = bool(told["codes"] and told["edges_in_view_mm"]["bottom"])
    return Judged(
        strips=1,
        exact=int(exact),
        missed=len(true) - len(hits),
        extra=len(extra),
        blanks_written=sum(_covering(extra, one) is not None for one in blank),
        numbers=len(edge),
        wrong=sum(two_digits(one["number"]) != number.number for one, number in edge),
        readable=int(readable),
        read=int(bool(readable and strip.edge_codes)),
        corner_mm=tuple(corner_error(f.outline, one["outline"]) * pixel_mm for one, f in hits),
        confidence=tuple(frame.confidence for _, frame in hits),
        seeds_amiss=() if exact else (seed,),
    )


def _is_picture(one: Truth) -> bool:
    """Tell whether a true frame is to be found: a picture, or no mere sliver of one."""
    if one["kind"] in ("blank", "fogged"):
        return False
    corners = np.asarray(one["outline"])
    along, across = (np.hypot(*(corners[0] - corners[k])) for k in (1, 3))
    return bool(along > LEAST_SHARE * across)


def _covering(frames: Sequence[FrameSurvey], one: Truth) -> FrameSurvey | None:
    best = max(frames, key=lambda f: overlap(f.outline, one["outline"]), default=None)
    if best is None or overlap(best.outline, one["outline"]) < SAME_FRAME:
        return None
    return best


def corner_error(outline: Any, true: Any) -> float:
    """Return the worst distance of corners, whichever corner is called the first."""
    found, told = np.asarray(outline, float), np.asarray(true, float)
    orders = [np.roll(way, turn, axis=0) for way in (found, found[::-1]) for turn in range(4)]
    return float(min(np.hypot(*(corners - told).T).max() for corners in orders))


def row_of(name: str, judged: Judged) -> str:
    """Return one line of the table."""
    corners: NDArray[np.float64] = np.array(judged.corner_mm)
    sure = np.array(judged.confidence) >= CLEAR
    off = corners > TOLERANCE_MM

    def share(part: NDArray[np.bool_]) -> str:
        return f"{100 * part.mean():6.1f}" if part.size else "     -"

    median = f"{np.median(corners):7.3f}" if corners.size else "      -"
    return (
        f"{name:30}{judged.strips:6}{judged.lost:5}{judged.invented:5}"
        f"{100 * judged.exact / max(judged.strips, 1):7.1f}{judged.missed:5}{judged.extra:6}"
        f"{judged.blanks_written:6}{median}{share(off)}{share(sure)}{share(off[sure])}"
        f"{judged.wrong:6} /{judged.numbers:5}{judged.read:5} /{judged.readable:4}"
    )


HEAD = (
    f"{'condition':30}strips lost  new exact% miss extra blank  mm med  off%clear%"
    " c.off%  wrong of nrs read of"
)


def _job(job: tuple[str, int, float]) -> tuple[str, Judged]:
    name, seed, ppi = job
    case = next(case for case in strip_cases() if case.name == name)
    with tempfile.TemporaryDirectory() as folder:
        return name, judged_scan(case.make(seed, ppi), Path(folder), seed)


def judged_cases(jobs: Iterable[tuple[str, int, float]], workers: int) -> dict[str, Judged]:
    """Judge (case, seed, ppi) one by one, in processes; return the sums by case."""
    sums: dict[str, Judged] = {}
    with ProcessPoolExecutor(workers) as executor:
        for name, judged in executor.map(_job, jobs):
            sums[name] = sums.get(name, Judged()) + judged
    return sums


def main() -> None:
    """Judge random scans of every condition and print a table."""
    parser = argparse.ArgumentParser(prog="tests.strip_benchmark", description=main.__doc__)
    parser.add_argument("conditions", nargs="*", help="parts of their names; all by default")
    parser.add_argument("--seeds", nargs=2, type=int, default=(0, 10), metavar=("FIRST", "END"))
    parser.add_argument("--ppi", type=float, default=200.0)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    words = parser.parse_args()
    cases = [
        case for case in strip_cases()
        if not words.conditions or any(part in case.name for part in words.conditions)
    ]  # fmt: skip
    jobs = [(case.name, seed, words.ppi) for case in cases for seed in range(*words.seeds)]
    sums = judged_cases(jobs, words.workers)
    print(HEAD)
    groups = {"ordinary, together": Judged(), "hard, together": Judged()}
    for case in cases:
        print(row_of(case.name, sums[case.name]), *sums[case.name].seeds_amiss)
        groups["hard, together" if case.hard else "ordinary, together"] += sums[case.name]
    for name, together in groups.items():
        print(row_of(name, together))


if __name__ == "__main__":
    main()
