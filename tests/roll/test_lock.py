"""A lock on a folder: one holder at a time, gone with its process, never in the way."""

import errno
import fcntl
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from pipeline.problem import OutputProblem
from pipeline.roll import lock as module
from pipeline.roll.lock import folder_lock
from pipeline.whole_file import LOCK_NAME

HOLD = """
import sys
from pathlib import Path
from pipeline.roll.lock import folder_lock
with folder_lock(Path(sys.argv[1]), print):
    print("held", flush=True)
    sys.stdin.read()
"""


def started(folder: Path) -> subprocess.Popen[str]:
    """Start a process that holds a folder's lock until its input ends."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, folder], text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=Path(module.__file__).parents[2],
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def ended(process: subprocess.Popen[str]) -> None:
    process.kill()
    process.communicate()


def test_nothing_is_left_of_a_lock(tmp_path):
    with folder_lock(tmp_path, pytest.fail):
        assert [path.name for path in tmp_path.iterdir()] == [LOCK_NAME]
    with folder_lock(tmp_path, pytest.fail):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_lock_ends_with_its_process_and_its_file_is_in_nobodys_way(tmp_path):
    ended(started(tmp_path))
    assert (tmp_path / LOCK_NAME).exists()
    with folder_lock(tmp_path, pytest.fail):
        pass
    assert list(tmp_path.iterdir()) == []


def test_the_second_waits_and_is_told_for_whom(tmp_path):
    process = started(tmp_path)
    told: list[str] = []

    def waiting(holder: str) -> None:
        told.append(holder)
        ended(process)

    with folder_lock(tmp_path, waiting):
        (said,) = told
    assert said.startswith(f"process {process.pid} on ")


def test_only_one_of_many_holds_it(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "_POLL_SECONDS", 0.001)
    inside, most = [], []

    def hold() -> None:
        for _ in range(20):
            with folder_lock(tmp_path, lambda holder: None):
                inside.append(1)
                most.append(len(inside))
                inside.pop()

    threads = [threading.Thread(target=hold) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(most) == 80
    assert max(most) == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("words", [b"", b"\x1b[2Jprocess 1 on x", b"rm -rf", b"\xff" * 5000])
def test_words_of_a_holder_are_not_taken_from_anybody(tmp_path, words):
    process = started(tmp_path)
    (tmp_path / LOCK_NAME).write_bytes(words)
    told: list[str] = []

    def waiting(holder: str) -> None:
        told.append(holder)
        ended(process)

    with folder_lock(tmp_path, waiting):
        assert told == ["another process"]


def test_a_link_in_its_place_is_not_followed(tmp_path):
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (tmp_path / LOCK_NAME).symlink_to(victim)
    with (
        pytest.raises(OutputProblem, match="is a link; take it away"),
        folder_lock(tmp_path, print),
    ):
        pass
    assert victim.read_text() == "mine"


def test_a_folder_that_is_gone_is_told(tmp_path):
    with (
        pytest.raises(OutputProblem, match="its folder has gone"),
        folder_lock(tmp_path / "gone", print),
    ):
        pass


def test_a_disk_without_locks_is_written_without_one(tmp_path, monkeypatch):
    # As some network disks answer; a stand-in, since none is at hand.
    def none(*_args: object) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(fcntl, "flock", none)
    with folder_lock(tmp_path, pytest.fail):
        pass
    assert list(tmp_path.iterdir()) == []


def test_an_interruption_while_locking_leaves_nothing(tmp_path, monkeypatch):
    flock, asked = fcntl.flock, []

    def interrupted(descriptor: int, how: int) -> None:
        asked.append(1)
        if len(asked) == 1:
            raise KeyboardInterrupt
        flock(descriptor, how)

    monkeypatch.setattr(fcntl, "flock", interrupted)
    with pytest.raises(KeyboardInterrupt):
        folder_lock(tmp_path, pytest.fail).__enter__()
    assert list(tmp_path.iterdir()) == []
