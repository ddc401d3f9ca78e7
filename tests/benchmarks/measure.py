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
    start = time.perf_counter()
    child = subprocess.Popen([str(part) for part in command], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise RuntimeError(f"{command} failed with {child.returncode}")
    wall = time.perf_counter() - start
    return Cost(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


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
        import resource

        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        cost = {
            "wall": time.perf_counter() - self._wall,
            "cpu": time.process_time() - self._cpu,
            "memory": memory,
        }
        print(json.dumps(cost))


def least(costs: Sequence[Cost]) -> Cost:
    """Return the least of each over runs of the same work; memory is the most."""
    return Cost(min(c.wall for c in costs), min(c.cpu for c in costs), max(c.memory for c in costs))
