"""Odd strips and files by condition, held against their truth: the table of `tests.judged.strips`.

`python -m tests.judged.odd --seeds 0 4` makes 4 scans of every condition in `odd_cases`.
"""

import argparse
import tempfile
from pathlib import Path

from pipeline.problem import ScanProblem
from pipeline.settings.settings import Settings
from pipeline.survey.scan import survey_scan
from tests.judged.odd_cases import OddCase, odd_cases
from tests.judged.strips import HEAD, Judged, judged_strips, row_of


def judged_odd(case: OddCase, seed: int, ppi: float, folder: Path) -> Judged:
    """Return what the survey of a seed's scan is worth."""
    scan = case.scan(seed, ppi)
    path = case.write(folder / f"s{seed}", scan)
    try:
        found = survey_scan(path, Settings()).strips
    except ScanProblem:
        found = ()
    path.unlink()
    return judged_strips(found, scan.truth, seed)


def main() -> None:
    """Judge odd strips by condition and print a table."""
    parser = argparse.ArgumentParser(prog="tests.judged.odd", description=main.__doc__)
    parser.add_argument("conditions", nargs="*", help="parts of their names; all by default")
    parser.add_argument("--seeds", nargs=2, type=int, default=(0, 4), metavar=("FIRST", "END"))
    parser.add_argument("--ppi", type=float, default=200.0)
    words = parser.parse_args()
    print(HEAD)
    together = Judged()
    for case in odd_cases():
        if words.conditions and not any(part in case.name for part in words.conditions):
            continue
        with tempfile.TemporaryDirectory() as folder:
            each = [judged_odd(case, seed, words.ppi, Path(folder)) for seed in range(*words.seeds)]
        total = sum(each, Judged())
        print(row_of(case.name, total), *total.seeds_amiss, flush=True)
        together += total
    print(row_of("together", together))


if __name__ == "__main__":
    main()
