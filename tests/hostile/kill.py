"""Runs killed at random moments: `python -m tests.hostile.kill --kills 200`.

Printed are broken files, reruns that end otherwise than a run that nobody killed, and what was
left lying about; see `tests/hostile/killed.py`.
"""

import argparse
import random
import statistics
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.hostile.killed import KillableRoll, Killed


def main(arguments: Sequence[str] | None = None) -> int:
    """Kill so many runs and print what became of them; 1 if anything broke."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--scans", type=Path, help="a folder of scans instead of the small roll")
    told = parser.parse_args(arguments)
    dice, killed = random.Random(told.seed), Killed()
    with tempfile.TemporaryDirectory(prefix="evenroll-kills-") as folder:
        bench = KillableRoll(Path(folder), told.scans)
        print(f"undisturbed: {bench.seconds:.2f} s, first file after {bench.first_file:.2f} s")
        for number in range(told.kills):
            bench.kill_once(dice, killed)
            if (number + 1) % 20 == 0:
                print(f"{number + 1} killed, {len(killed.broken)} broken files", flush=True)
    print(f"kills {killed.kills}, of them with old and new files side by side {killed.midway}")
    print(f"exit codes {dict(sorted(killed.codes.items()))}")
    if killed.seconds:
        median, worst = statistics.median(killed.seconds), max(killed.seconds)
        print(f"asked to end, they took {median:.2f} s in the middle, {worst:.2f} s at worst")
    for name in ("broken", "differing", "left", "tracebacks"):
        found = getattr(killed, name)
        print(f"{name}: {len(found)} {sorted(set(found))[:5] if found else ''}")
    return int(bool(killed.broken or killed.differing or killed.left or killed.tracebacks))


if __name__ == "__main__":
    sys.exit(main())
