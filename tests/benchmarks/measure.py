"""Times and memory of processes: wall clock, processor time of all threads, highest memory."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Cost:
    """Seconds by the clock, seconds of processor, and the most memory held, in MB."""

    wall: float
    cpu: float
    memory: float

    def __str__(self) -> str:
        """Return the three in columns."""
        return f"{self.wall:8.2f} s {self.cpu:8.2f} s cpu {self.memory:7.0f} MB"


def process_cost(command: Sequence[str | Path]) -> Cost:
    """Run a command to its end and return what it cost, start-up included.

    Raises
    ------
    RuntimeError
        It failed.
    """
    ran = subprocess.run(apart(command), stdout=subprocess.PIPE, text=True, check=True)
    cost, code = told_apart(ran.stdout)
    if code:
        raise RuntimeError(f"{command} failed with {code}")
    return cost


def apart(command: Sequence[str | Path]) -> list[str]:
    """Return how a command is run by a small process, which prints what it cost.

    The system counts what a process has held until then for those that it starts (Linux, exec
    keeps the peak of the memory that it replaces), so this one must not start them itself.
    """
    return [sys.executable, "-S", __file__, *map(str, command)]


def told_apart(printed: str) -> tuple[Cost, int]:
    """Return the cost and the exit code out of what the small process printed."""
    *cost, code = json.loads(printed)
    return Cost(*cost), code


def _run(command: Sequence[str]) -> None:
    """Run a command, its output unseen, and print its cost and exit code as JSON."""
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    wall = time.perf_counter() - start
    child.returncode = os.waitstatus_to_exitcode(status)
    cpu = usage.ru_utime + usage.ru_stime
    print(json.dumps([wall, cpu, usage.ru_maxrss / 1024, child.returncode]))


def section_cost(module: str, *words: object) -> Cost:
    """Run a module in a process of its own, which prints the cost of its timed section."""
    ran = subprocess.run(
        [sys.executable, "-m", module, *map(str, words)], capture_output=True, text=True, check=True
    )
    return Cost(**json.loads(ran.stdout.splitlines()[-1]))


class Section:
    """A timed section of this process: prints its cost as JSON when it ends."""

    def __enter__(self) -> None:
        """Begin."""
        self._wall, self._cpu = time.perf_counter(), time.process_time()

    def __exit__(self, *_: object) -> None:
        """End, and print."""
        status = Path("/proc/self/status").read_text()
        # Unlike the peak that the system tells of a process, not that of who started it.
        (peak,) = (line.split()[1] for line in status.splitlines() if line.startswith("VmHWM:"))
        cost = {
            "wall": time.perf_counter() - self._wall,
            "cpu": time.process_time() - self._cpu,
            "memory": int(peak) / 1024,
        }
        print(json.dumps(cost))


def least(costs: Sequence[Cost]) -> Cost:
    """Return the least of each over runs of the same work; memory is the most."""
    return Cost(min(c.wall for c in costs), min(c.cpu for c in costs), max(c.memory for c in costs))


if __name__ == "__main__":
    _run(sys.argv[1:])
