"""Runs killed at random moments, a few of them; `tests.hostile.kill` does hundreds."""

import os
import random
from pathlib import Path

import pytest

from pipeline.roll.lock import folder_lock
from tests.hostile.killed import KillableRoll, Killed, contents, opens_whole

KILLS = 4


@pytest.fixture(scope="module")
def roll(tmp_path_factory: pytest.TempPathFactory) -> KillableRoll:
    return KillableRoll(tmp_path_factory.mktemp("kills"))


def test_killed_runs_leave_whole_files_and_reruns_end_the_same(roll: KillableRoll):
    dice, killed = random.Random(7), Killed()
    for _ in range(KILLS):
        roll.kill_once(dice, killed)
    assert killed.kills == KILLS
    assert set(killed.codes) <= {-9, 0, 129, 130, 143}
    assert (killed.broken, killed.differing, killed.left, killed.tracebacks) == ([], [], [], [])


def test_two_runs_at_once_end_as_one_does(roll: KillableRoll, tmp_path: Path):
    both = [roll.command.start(roll.scans, tmp_path / "out") for _ in range(2)]
    assert [roll.command.finish(process) for process in both] == [0, 0]
    assert contents(tmp_path / "out") == roll.after
    assert sorted(path.name for path in (tmp_path / "out").glob(".*")) == [".evenroll.json"]


def test_a_run_waits_for_another_and_says_so(roll: KillableRoll, tmp_path: Path):
    out = tmp_path / "out"
    out.mkdir()
    with folder_lock(out, pytest.fail):
        process = roll.command.start(roll.scans, out)
        while "another run" not in roll.command.told(process):
            process.join(0.05)
            assert process.exitcode is None, roll.command.told(process)
        assert not list(out.glob("*.tif"))
    assert roll.command.finish(process) == 0
    (said,) = [line for line in roll.command.told(process).splitlines() if "another run" in line]
    assert said.startswith(f"{out}: another run (process {os.getpid()} on ")
    assert contents(out) == roll.after


@pytest.mark.parametrize("name", ["harbour.tif", "a.jpg", "a.xmp", "roll.json", "index.html"])
def test_half_a_file_is_told_from_a_whole_one(roll: KillableRoll, name: str, tmp_path: Path):
    whole = next(path for path in roll.whole.iterdir() if path.suffix == Path(name).suffix)
    assert opens_whole(whole)
    half = tmp_path / name
    data = whole.read_bytes()
    half.write_bytes(data[: len(data) // 2])
    assert not opens_whole(half)
