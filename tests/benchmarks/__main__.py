"""Benchmarks: `python -m tests.benchmarks FOLDER [roll|strip|large|growth|many|memory ...]`.

`memory` takes cases by name: `python -m tests.benchmarks FOLDER memory --case jpeg`.

FOLDER keeps the scans that are made (13 GB for all). Making them is not timed. Times of the
processor count all threads; on a machine that does other things as well they are what to compare.
"""

import argparse
import shutil
import sys
import tempfile
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np

from tests.benchmarks import scans as made
from tests.benchmarks.cluster import cluster
from tests.benchmarks.frames import frame_tasks
from tests.benchmarks.measure import Cost, least, process_cost, section_cost
from tests.benchmarks.memory import CASES
from tests.benchmarks.memory import memory as print_memory
from tests.benchmarks.review import review
from tests.benchmarks.stages import frame_and_survey_stages
from tests.benchmarks.stop import stop

_EVENROLL = (sys.executable, "-m", "pipeline")


def convert(scans: Path, *, keep: bool = False, asked: Sequence[Path] = ()) -> tuple[Cost, Path]:
    """Convert a folder into a new one with two workers; return the cost, and where it went.

    `asked` are folders to convert instead.
    """
    out = Path(tempfile.mkdtemp(dir=scans.parent))
    cost = process_cost([*_EVENROLL, "convert", *(asked or [scans]), "-o", out, "--workers", "2"])
    if not keep:
        shutil.rmtree(out)
    return cost, out


def compare(scans: Path, rounds: int) -> None:
    """Print a folder's conversion beside the floor and two other ways, in the same run."""
    count = len(frame_tasks(scans))
    whole, floors = [], []
    for _ in range(rounds):
        cost, out = convert(scans, keep=True)
        whole.append(cost)
        floors.append(section_cost("tests.benchmarks.floor", scans, out, 2))
        shutil.rmtree(out)
    ours, floor = least(whole), least(floors)
    print(f"{count} frames\n  evenroll convert   {ours}\n  read, copy, pack   {floor}")
    print(f"  ratio to the floor: {ours.wall / floor.wall:.2f}, cpu {ours.cpu / floor.cpu:.2f}")
    # All frames of a strip, since the plain way reads it whole.
    for name, some in (("plain", 6), ("vips", 6)):
        try:
            cost = section_cost(f"tests.benchmarks.{name}", scans, some)
        except Exception as error:
            print(f"  {name}: not measured ({error})")
            continue
        wall, cpu = (value / some * count for value in (cost.wall, cost.cpu))
        print(
            f"  {name:18} {wall:8.2f} s {cpu:8.2f} s cpu {cost.memory:7.0f} MB (from {some} frames)"
            f": {wall / ours.wall:.1f} times ours, cpu {cpu / ours.cpu:.1f}"
        )


def roll(folder: Path, rounds: int) -> None:
    """36 frames on 6 strips at 3200 ppi."""
    compare(made.roll_folder(folder, 3200.0), rounds)


def strip(folder: Path, rounds: int) -> None:
    """6 frames on one strip at 3200 ppi, also with dust and an infra-red plane."""
    compare(made.roll_folder(folder, 3200.0, 6), rounds)
    dusty = made.roll_folder(folder, 3200.0, 6, "dusty", infrared=True)
    print(f"  dust mended        {least([convert(dusty)[0] for _ in range(rounds)])}")


def large(folder: Path, rounds: int) -> None:
    """Frames of 6x9 at 3200 ppi, upright and turned by a quarter: memory."""
    for turned in (False, True):
        scans = made.medium_folder(folder, 3200.0, turned)
        print(f"6x9, turned: {turned}  {least([convert(scans)[0] for _ in range(rounds)])}")


def growth(folder: Path, rounds: int) -> None:
    """One strip at rising resolutions: the exponent of time in pixels, and memory."""
    pixels, seconds = [], []
    for ppi in (800.0, 1600.0, 3200.0, 6400.0, 9600.0):
        scans = made.roll_folder(folder, ppi, 6)
        cost = least([convert(scans)[0] for _ in range(rounds)])
        (path,) = scans.glob("*.tif")
        pixels.append(path.stat().st_size / 6)
        seconds.append(cost.cpu)
        print(f"{pixels[-1] / 1e6:7.0f} Mpx  {cost}")
    exponent = np.polyfit(np.log(pixels[1:]), np.log(seconds[1:]), 1)[0]
    print(f"exponent of processor time over pixels: {exponent:.2f}")


def many(folder: Path, rounds: int) -> None:
    """1000 small scans of one roll, and 100 rolls in one call."""
    for name, scans in made.many_folders(folder).items():
        asked = sorted(scans.iterdir()) if "rolls" in name else [scans]
        print(f"{name:20} {least([convert(scans, asked=asked)[0] for _ in range(rounds)])}")


def start(folder: Path, rounds: int) -> None:
    """Start-up: the help, and a roll of seven small strips."""
    sample = Path(__file__).parents[2] / "sample_scans"
    for name, words in (("--help", ["--help"]), ("convert --help", ["convert", "--help"])):
        cost = least([process_cost([*_EVENROLL, *words]) for _ in range(max(5, rounds))])
        print(f"{name:20} {cost}")
    out = folder / "sample"
    costs = []
    for _ in range(rounds):
        shutil.rmtree(out, ignore_errors=True)
        costs.append(process_cost([*_EVENROLL, "convert", sample, "-o", out]))
    print(f"{'sample roll':20} {least(costs)}")


def stages(folder: Path, rounds: int) -> None:
    """Where the time goes: a frame by stages, the survey of a strip, both at 3200 ppi."""
    frame_and_survey_stages(made.roll_folder(folder, 3200.0, 6))


def page(folder: Path, rounds: int) -> None:
    """The page over 36 frames of 13 Mpx: first sight, previews, memory."""
    review(made.roll_folder(folder, 3200.0))


def memory(folder: Path, rounds: int, cases: Sequence[str] = ()) -> None:
    """Memory of runs over files of all kinds, wide ones, and folders of many."""
    print_memory(folder, cases)


PARTS = {
    f.__name__: f
    for f in (roll, strip, large, growth, many, start, stages, page, memory, stop, cluster)
}


def main() -> None:
    """Run the parts that are asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("folder", type=Path, help="where scans are made and kept")
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="all if none is named")
    parser.add_argument("--rounds", type=int, default=3, help="runs of each; the least counts")
    parser.add_argument(
        "--case", action="append", choices=CASES, default=[], help="of memory", metavar="NAME"
    )
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    for name in asked.parts or PARTS:
        print(f"-- {name}: {PARTS[name].__doc__}", flush=True)
        part = partial(memory, cases=asked.case) if name == "memory" else PARTS[name]
        part(asked.folder, asked.rounds)


if __name__ == "__main__":
    main()
