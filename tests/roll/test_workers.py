"""Threads here, and a cluster of two processes: the same bytes, whatever becomes of one."""

import ctypes
import importlib
import json
import logging
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import distributed
import pytest

from pipeline.command.run import Talk, gather_rolls
from pipeline.event import Event
from pipeline.problem import ClusterProblem, OutputProblem
from pipeline.roll import machines as module
from pipeline.roll.ahead import Ahead
from pipeline.roll.convert import write_roll
from pipeline.roll.frame_task import jobs_of
from pipeline.roll.machines import (
    ClusterExecutor,
    cluster_executor,
    give_back,
    is_lost,
    workers,
)
from pipeline.roll.record import record_of
from pipeline.roll.scans import told
from pipeline.roll.survey import survey_roll
from pipeline.whole_file import output_problem
from tests.conftest import Run, contents

# Blocks below malloc's threshold for maps of their own, each with something small behind it that
# stays: glibc by itself gives none of it back (mallopt(3), M_TRIM_THRESHOLD).
_HOLES = """
from pathlib import Path
from pipeline.roll.machines import give_back
kept, large = [], []
for _ in range(1000):
    large.append(bytearray(100_000)); kept.append(bytearray(1000))
def resident():
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096
large.clear()
before = resident()
give_back()
print(before - resident())
"""


def test_so_many_work_at_a_time():
    gate = threading.Barrier(3, timeout=30)
    with workers(3, None) as executor:
        waiting = [executor.submit(gate.wait) for _ in range(3)]
        assert sorted(future.result() for future in waiting) == [0, 1, 2]


def test_what_has_not_begun_is_dropped_when_the_run_ends_early():
    release, begun = threading.Event(), threading.Event()

    def wait() -> bool:
        begun.set()
        return release.wait(30)

    futures = []

    def stopped() -> None:
        with workers(1, None) as executor:
            futures.extend(executor.submit(wait) for _ in range(3))
            begun.wait(30)
            release.set()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert futures[0].result() is True
    assert all(future.done() for future in futures)


def test_an_interruption_does_not_wait_for_what_is_under_way():
    """Neither for a survey, nor for a roll begun ahead: who ends a run may not wait for them."""
    release, begun = threading.Event(), threading.Barrier(3, timeout=30)

    def slow(*_: object) -> bool:
        begun.wait()
        return release.wait(10)

    futures = []

    def stopped() -> None:
        with workers(1, None) as executor, Ahead(slow, executor, 1) as ahead:
            ahead.begin(0)
            futures.append(executor.submit(slow))
            begun.wait()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert not futures[0].done()
    release.set()
    assert futures[0].result() is True


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Yield the address of a cluster of two processes, with one thread each."""
    options = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": ":0"}
    with distributed.LocalCluster(**options, silence_logs=logging.CRITICAL) as cluster:
        yield cluster.scheduler_address


def process_ids(address: str) -> list[int]:
    with distributed.Client(address, set_as_default=False) as client:
        return list(client.run(os.getpid).values())


def test_cluster_is_local_bit_for_bit(address, model_roll, tmp_path, run: Run, converted):
    ran = run("convert", model_roll, "-o", tmp_path / "out", "--cluster", address)
    assert ran.code == 0, ran.err
    assert contents(tmp_path / "out") == contents(converted)
    assert not list((tmp_path / "out").glob(".evenroll-*"))
    # What stands from a cluster stands for this machine too.
    assert (
        "0 written now, 6 stood already" in run("convert", model_roll, "-o", tmp_path / "out").out
    )


def test_several_rolls_named_from_another_folder(address, scans, tmp_path, run: Run, monkeypatch):
    (scans / "bad.tif").write_bytes(b"II*\0")
    (scans.parent / "b").symlink_to(scans)
    monkeypatch.chdir(scans.parent)
    words = ("convert", scans.name, "b", "-o", "out", "--archive", "none", "--cluster", address)
    ran = run(*words)
    assert ran.code == 1
    assert ran.err.count("bad.tif: is damaged") == 2
    assert len(list((tmp_path / "out").glob("*/*.jpg"))) == 14


def test_measure_on_a_cluster(address, model_roll, run: Run):
    there = run("measure", model_roll, "--json", "--cluster", address)
    assert there == run("measure", model_roll, "--json")


def test_a_lost_worker_is_made_up_for(address, model_roll, tmp_path, converted):
    (roll,) = gather_rolls([model_roll], {})
    ids, lost = process_ids(address), []

    def listen(event: Event) -> None:
        if event.kind == "written" and not lost:
            lost.append(ids[0])
            os.kill(ids[0], signal.SIGKILL)

    with cluster_executor(address, []) as executor:
        surveyed = survey_roll(roll, executor, listen)
        outcome = write_roll(surveyed, tmp_path / "out", executor, listen)
    assert lost
    assert (outcome.written, outcome.failed) == (6, 0)
    assert contents(tmp_path / "out") == contents(converted)
    assert not list((tmp_path / "out").glob(".evenroll-*"))


def dies(deaths: Path) -> None:
    with deaths.open("a") as file:
        file.write("died\n")
    os.kill(os.getpid(), signal.SIGKILL)


def test_what_two_workers_die_of_is_told_and_the_rest_is_done(tmp_path):
    deaths = tmp_path / "deaths"
    # Two threads each: some are lost with what kills, and are not to be blamed for it.
    options = {"n_workers": 3, "threads_per_worker": 2, "dashboard_address": ":0"}
    with (
        distributed.LocalCluster(**options, silence_logs=logging.CRITICAL) as cluster,
        cluster_executor(cluster.scheduler_address, []) as executor,
    ):
        beside = [executor.submit(time.sleep, 0.5) for _ in range(5)]
        kills = executor.submit(dies, deaths)
        after = [executor.submit(pow, 2, power) for power in range(20)]
        assert [future.result(120) for future in after] == [2**power for power in range(20)]
        assert [future.result(120) for future in beside] == [None] * 5
        error = kills.exception(120)
    assert error is not None
    assert told("07", error) == (
        "07: its workers died of it; give them more memory each and run again."
    )
    # The library would have had four of them die, and blamed what they were to do next.
    assert deaths.read_text().splitlines() == ["died"] * 2


def test_what_crosses_is_small(address, model_roll):
    (roll,) = gather_rolls([model_roll], {})
    with cluster_executor(address, []) as executor:
        surveyed = survey_roll(roll, executor, lambda event: None)
    picture_bytes = sum(path.stat().st_size for path in model_roll.glob("*.tif"))
    assert len(pickle.dumps(surveyed.strips)) < picture_bytes
    tasks = [job.task for job in jobs_of(surveyed, record_of(surveyed), model_roll)]
    assert max(len(pickle.dumps(task)) for task in tasks) < 20_000


@pytest.mark.parametrize("wrong", ["tcp://127.0.0.1:9", "nowhere", "foo://x", ""])
def test_a_wrong_address_is_one_sentence(wrong, model_roll, tmp_path, run: Run, monkeypatch):
    monkeypatch.setattr(module, "_CONNECT_SECONDS", 0.5)
    ran = run("convert", model_roll, "-o", tmp_path / "out", "--cluster", wrong)
    assert ran.code == 3
    assert ran.err.startswith(f"no cluster answers at '{wrong}'; give the address")
    assert len(ran.err.splitlines()) == 1
    assert list((tmp_path / "out").iterdir()) == []


def test_without_the_library_it_says_what_to_install(model_roll, tmp_path, run, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    ran = run("convert", model_roll, "-o", tmp_path / "out", "--cluster", "tcp://127.0.0.1:9")
    assert ran.code == 3
    assert ran.err == (
        "this installation can't work on a cluster; run pip install 'evenroll[cluster]'.\n"
    )


def test_folders_that_are_not_shared_are_told(address, tmp_path, monkeypatch):
    # A file that only this machine has.
    monkeypatch.setattr(module, "trial_file", lambda folder: nullcontext(folder / "only-here"))
    on_cluster = cluster_executor(address, [tmp_path])
    with pytest.raises(ClusterProblem, match=r"is not seen by the worker tcp:.*; use folders"):
        on_cluster.__enter__()


def test_another_version_on_a_worker_is_told(address, monkeypatch):
    monkeypatch.setattr(module, "__version__", "9.9.9")
    on_cluster = cluster_executor(address, [])
    with pytest.raises(ClusterProblem, match=r"has no evenroll 9\.9\.9; install the same"):
        on_cluster.__enter__()


@pytest.fixture
def here() -> Iterator[Any]:
    """Yield a cluster of one thread in this process."""
    options = {"n_workers": 1, "threads_per_worker": 1, "processes": False, "protocol": "tcp://"}
    with distributed.LocalCluster(
        **options, dashboard_address=":0", silence_logs=logging.CRITICAL
    ) as cluster:
        yield cluster


def test_a_worker_that_comes_later_with_another_version_is_told():
    assert module._do(module.__version__, pow, (2, 3), {}) == 8
    with pytest.raises(ClusterProblem, match=r"came later has evenroll .*, and not 9\.9\.9; "):
        module._do("9.9.9", pow, (2, 3), {})


def test_what_is_dropped_is_not_done(here, tmp_path):
    with cluster_executor(here.scheduler_address, []) as executor:
        first = executor.submit(time.sleep, 0.5)
        dropped = executor.submit((tmp_path / "a").touch)
        assert dropped.cancel()
        assert first.result(30) is None
        assert executor.submit(pow, 2, 3).result(30) == 8
    assert not (tmp_path / "a").exists()


def test_a_cluster_that_goes_ends_the_run_in_one_sentence(
    here, model_roll, scans, tmp_path, run: Run, converted, monkeypatch
):
    listen, closing = Talk.listen, []

    def closes(talk: Talk, event: Event) -> None:
        listen(talk, event)
        if event.kind == "written" and not closing:
            closing.append(threading.Thread(target=here.close))
            closing[0].start()

    monkeypatch.setattr(Talk, "listen", closes)
    out = tmp_path / "out"
    address = here.scheduler_address
    ran = run("convert", model_roll, scans, "-o", out, "--cluster", address, "--json")
    closing[0].join()
    assert ran.code == 3
    said = f"the cluster at '{address}' has gone; see that its scheduler runs and run again."
    assert [line for line in ran.err.splitlines() if "taken as linear" not in line] == [said]
    (result,) = json.loads(ran.out)
    assert result["problems"] == [said]
    assert not list(out.glob("*/.evenroll-*"))
    monkeypatch.undo()
    (again, _) = json.loads(run("convert", model_roll, scans, "-o", out, "--json").out)
    assert again["kept"] >= 1
    assert again["kept"] + again["written"] == 6
    assert contents(out / "harbour") == contents(converted)


def test_a_cluster_without_workers_is_not_waited_for_for_ever(monkeypatch):
    class Empty:
        """Stands in for a client whose workers have all gone."""

        def get_executor(self, **_options: object) -> ThreadPoolExecutor:
            return pool

        def nthreads(self) -> dict[str, int]:
            return {}

    monkeypatch.setattr(module, "_WITHOUT_WORKERS_SECONDS", 0.05)
    monkeypatch.setattr(module, "_LOOK_SECONDS", 0.01)
    gate = threading.Event()
    with ThreadPoolExecutor(1) as pool:
        executor = ClusterExecutor(Empty(), "tcp://there")
        waiting = [executor.submit(gate.wait, 30) for _ in range(2)]
        for future in waiting:
            with pytest.raises(ClusterProblem, match=r"at 'tcp://there' has lost all of its work"):
                future.result(30)
        gate.set()
        with pytest.raises(ClusterProblem, match="start some and run again"):
            executor.submit(gate.wait)
        executor.shutdown()


def test_a_cluster_whose_workers_went_before_its_scheduler_is_told_as_gone(monkeypatch):
    class Closed:
        """Stands in for a client whose scheduler has gone, after the only worker had."""

        status = "running"

        def nthreads(self) -> dict[str, int]:
            if self.status == "closed":
                raise OSError
            return {}

    monkeypatch.setattr(module, "_LOOK_SECONDS", 0.01)
    client = Closed()
    executor = ClusterExecutor(client, "tcp://there")
    future = executor.submit(int)
    client.status = "closed"
    with pytest.raises(ClusterProblem, match="has gone; see that its scheduler runs"):
        future.result(30)
    executor.shutdown()


def test_what_workers_died_of_is_told_in_words():
    killed = importlib.import_module("distributed.scheduler").KilledWorker("t", None, 3)
    assert is_lost(killed)
    assert told("07", killed) == (
        "07: its workers died of it; give them more memory each and run again."
    )
    assert not is_lost(ValueError())


def test_errors_of_a_far_disk_keep_their_number():
    # So that a full disk ends the run after one sentence there too.
    before = output_problem(Path("a.tif"), OSError(28, "No space left on device"))
    after = pickle.loads(pickle.dumps(before))
    assert isinstance(after, OutputProblem)
    assert (after.number, str(after)) == (28, str(before))


@pytest.mark.skipif(
    not Path("/proc/self/statm").exists() or not hasattr(ctypes.CDLL(None), "malloc_trim"),
    reason="needs glibc",
)
def test_memory_between_what_stays_is_given_back():
    ran = subprocess.run([sys.executable, "-c", _HOLES], capture_output=True, text=True, check=True)
    assert int(ran.stdout) > 50_000_000


def test_the_system_is_asked_once_for_all_there_is(monkeypatch):
    trimmed: list[int] = []
    monkeypatch.setattr(ctypes, "CDLL", lambda _: SimpleNamespace(malloc_trim=trimmed.append))
    give_back()
    assert trimmed == [0]


@pytest.mark.parametrize("without", [OSError, AttributeError, TypeError])
def test_another_allocator_is_left_alone(without, monkeypatch):
    asked: list[object] = []

    def library(name: object) -> object:
        asked.append(name)
        raise without

    monkeypatch.setattr(ctypes, "CDLL", library)
    give_back()
    assert asked == [None]
