"""What a cluster costs: the size of what crosses, the time of an empty task, rolls by workers."""

import os
import pickle
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.command.run import gather_rolls
from pipeline.roll.frame_task import FrameTask, jobs_of
from pipeline.roll.machines import cluster_executor
from pipeline.roll.record import record_of
from pipeline.roll.survey import survey_roll
from pipeline.survey import survey_scan
from tests.benchmarks.measure import process_cost
from tests.benchmarks.scans import many_folders

_EVENROLL = (sys.executable, "-m", "pipeline")
_SAMPLE = Path(__file__).parents[2] / "sample_scans"
_EMPTY_TASKS = 500
_ROLLS = 100


def _nothing(_task: FrameTask) -> dict[str, str]:
    return {}


@contextmanager
def local_cluster(count: int) -> Iterator[Any]:
    """Yield a cluster of so many processes of one thread on this machine."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=count, threads_per_worker=1, dashboard_address=":0") as made:
        yield made


def _processor_seconds(made: Any) -> tuple[float, float]:
    """Return seconds of processor of a cluster's workers and of its scheduler, this process."""
    with made.get_client() as client:
        return sum(client.run(time.process_time).values()), time.process_time()


def sizes() -> tuple[list[int], list[int], list[FrameTask]]:
    """Return bytes of a scan's survey and of a frame's task as they cross, and the tasks."""
    (roll,) = gather_rolls([_SAMPLE], {})
    with ThreadPoolExecutor(2) as pool:
        surveyed = survey_roll(roll, pool, lambda event: None)
    tasks = [job.task for job in jobs_of(surveyed, record_of(surveyed), _SAMPLE)]
    surveys = [len(pickle.dumps(survey_scan(path, roll.settings))) for path in roll.scans[:3]]
    return surveys, [len(pickle.dumps(task)) for task in tasks], tasks


def empty_tasks(made: Any, tasks: Sequence[FrameTask]) -> tuple[float, float]:
    """Return milliseconds by the clock and of all processors for a task that does nothing."""
    with cluster_executor(made.scheduler_address, []) as executor:
        executor.submit(_nothing, tasks[0]).result()
        began, before = time.perf_counter(), sum(_processor_seconds(made))
        done = [
            executor.submit(_nothing, tasks[place % len(tasks)]) for place in range(_EMPTY_TASKS)
        ]
        for future in done:
            future.result()
        wall, processor = time.perf_counter() - began, sum(_processor_seconds(made)) - before
    return 1000 * wall / _EMPTY_TASKS, 1000 * processor / _EMPTY_TASKS


@dataclass(frozen=True)
class Shares:
    """Seconds by the clock, and of processor of the command, the scheduler and the workers."""

    wall: float
    command: float
    scheduler: float
    workers: float


def convert_rolls(made: Any, rolls: Sequence[Path], out: Path, count: int) -> Shares:
    """Convert rolls on a cluster of so many workers; return what that took."""
    words = ("convert", *rolls, "-o", out / "all", "--cluster", made.scheduler_address)
    # What the workers load first is no part of it, so each gets some work beforehand.
    first = (*_EVENROLL, "convert", *rolls[: 2 * count], "-o", out / "first")
    subprocess.run([*first, "--cluster", made.scheduler_address], check=True, capture_output=True)
    workers, scheduler = _processor_seconds(made)
    cost = process_cost([*_EVENROLL, *words])
    after = _processor_seconds(made)
    return Shares(cost.wall, cost.cpu, after[1] - scheduler, after[0] - workers)


def cluster(folder: Path, rounds: int, rolls: int = _ROLLS) -> None:
    """What a cluster adds to a task, and 100 rolls on one and more of its workers."""
    surveys, sent, tasks = sizes()
    print(f"survey of a scan {statistics.median(surveys)} bytes, task of a frame {max(sent)} bytes")
    asked = sorted(many_folders(folder)["100 rolls"].iterdir())[:rolls]
    cores = os.cpu_count() or 1
    print(f"{cores} cores")
    for count in [count for count in (1, 2, 4, 8) if count <= cores]:
        with local_cluster(count) as made, tempfile.TemporaryDirectory(dir=folder) as out:
            empty = [empty_tasks(made, tasks) for _ in range(rounds)]
            wall, processor = map(min, zip(*empty, strict=True))
            found = convert_rolls(made, asked, Path(out), count)
        print(
            f"{count} workers: empty task {wall:.2f} ms, {processor:.2f} ms cpu; {len(asked)} "
            f"rolls {found.wall:.1f} s, cpu of command {found.command:.1f} s, scheduler "
            f"{found.scheduler:.1f} s, workers {found.workers:.1f} s",
            flush=True,
        )
