import multiprocessing
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.bath import Batch, Use
from pipeline.bath_log import BathLog, ConflictProblem, Written
from pipeline.problem import Problem, SettingsProblem

REPOSITORY = Path(__file__).parents[1]
SPRING = Batch("spring", mixed=date(2025, 5, 3), volume_ml=1000.0, life_rolls=16.0)
SEVEN = Use("spring", "07", developed=date(2025, 5, 24), edge_print=(0.7, 0.8, 0.9))
# Writes rolls one by one, and says so once it is under way.
ENDLESS = """
import sys, itertools
from pathlib import Path
from pipeline.bath import Use
from pipeline.bath_log import BathLog
log = BathLog(Path(sys.argv[1]))
for count in itertools.count():
    log.write([Use("spring", f"{count}-{part}", source="x" * 400) for part in range(40)], "fill")
    print(count, flush=True)
"""


@pytest.fixture
def log(tmp_path: Path) -> BathLog:
    made = BathLog(tmp_path / "bath.sqlite")
    made.write([SPRING, SEVEN], "new")
    return made


def test_what_is_written_is_read(log: BathLog):
    assert log.entries() == (SPRING, SEVEN)
    assert log.batch("spring") == (SPRING, (SEVEN,))
    assert log.write([Batch("autumn"), Use("autumn", "07")], "new") == Written(2, 0, 0)
    assert log.batch("spring") == (SPRING, (SEVEN,))


def test_new_ones_must_be_new_and_nothing_is_half_written(log: BathLog):
    with pytest.raises(ConflictProblem, match="'spring' is in the log already"):
        log.write([Batch("autumn"), SPRING], "new")
    with pytest.raises(SettingsProblem, match="no batch 'sprang'; write 'spring' if"):
        log.write([Batch("autumn"), Use("sprang", "1")], "fill")
    assert log.entries() == (SPRING, SEVEN)


def test_filling_keeps_what_is_not_given_and_what_is_settled(log: BathLog):
    given_now = Use("spring", "07", contrast=(0.6, 0.6, 0.6), edge_print=(0.6, 0.7, 0.8))
    assert log.write([given_now], "fill") == Written(0, 1, 0)
    _, (held,) = log.batch("spring")
    assert held.developed == SEVEN.developed
    assert (held.contrast, held.edge_print) == (given_now.contrast, given_now.edge_print)
    assert log.write([given_now], "fill") == Written(0, 0, 1)
    with pytest.raises(ConflictProblem, match="'mixed' 2025-05-03 in the log and 2025-06-01 here"):
        log.write([Batch("spring", mixed=date(2025, 6, 1))], "fill", settled=("mixed",))
    log.write([Batch("spring", mixed=date(2025, 6, 1))], "fill")
    assert log.batch("spring")[0].mixed == date(2025, 6, 1)


def test_the_same_is_no_conflict_but_another_is(log: BathLog):
    assert log.write([SPRING, SEVEN, Use("spring", "08")], "same") == Written(1, 0, 2)
    with pytest.raises(ConflictProblem, match="'07 of spring' is in the log with other") as raised:
        log.write([Use("spring", "09"), Use("spring", "07")], "same")
    assert raised.value.entry == Use("spring", "07")
    assert log.write([Use("spring", "07")], "replace") == Written(0, 1, 0)
    assert log.batch("spring")[1] == (Use("spring", "07"), Use("spring", "08"))


def test_changes_are_taken_back_one_by_one(log: BathLog):
    states = [log.entries()]
    for change in (
        lambda: log.write([Use("spring", "08"), Use("spring", "09")], "fill"),
        lambda: log.write([Use("spring", "08", rolls=2.0)], "fill"),
        lambda: log.remove("spring", "07"),
        lambda: log.remove("spring"),
        lambda: log.write([SPRING], "new"),
    ):
        change()
        states.append(log.entries())
    assert len(set(states)) == len(states)
    told = []
    for state in reversed(states[:-1]):
        told.append(log.undo())
        assert log.entries() == state
    assert told == [
        ("spring",), ("08 of spring", "09 of spring", "spring"), ("07 of spring",),
        ("08 of spring",), ("08 of spring", "09 of spring"),
    ]  # fmt: skip
    log.undo()
    with pytest.raises(SettingsProblem, match="no change to take back"):
        log.undo()


def test_what_is_not_there_cannot_be_removed(log: BathLog, tmp_path: Path):
    with pytest.raises(SettingsProblem, match="has no roll '11'"):
        log.remove("spring", "11")
    with pytest.raises(SettingsProblem, match="no batch 'autumn'"):
        log.remove("autumn")
    none = BathLog(tmp_path / "none.sqlite")
    for action in (lambda: none.remove("spring"), none.undo, lambda: none.batch("spring")):
        with pytest.raises(SettingsProblem):
            action()
    assert not none.path.exists()


def write_many(path: Path, worker: int, count: int) -> None:
    log = BathLog(path, wait_s=120.0)
    for number in range(count):
        # Each also changes one entry that all of them change.
        own, shared = Use("spring", f"{worker}-{number}"), Use("spring", "shared", rolls=1 + worker)
        log.write([Batch("spring"), own, shared], "fill")


def test_several_processes_write_at_once(tmp_path: Path):
    """From no file at all on: every entry of every process is there, and the file is sound."""
    path, workers, count = tmp_path / "bath.sqlite", 4, 12
    context = multiprocessing.get_context("spawn")
    started = [
        context.Process(target=write_many, args=(path, worker, count)) for worker in range(workers)
    ]
    for process in started:
        process.start()
    for process in started:
        process.join()
    assert [process.exitcode for process in started] == [0] * workers
    _, uses = BathLog(path).batch("spring")
    expected = {f"{worker}-{number}" for worker in range(workers) for number in range(count)}
    assert {use.roll for use in uses} == expected | {"shared"}
    assert len(uses) == len(expected) + 1
    database = sqlite3.connect(path)
    assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    database.close()


def test_a_writer_killed_half_way_leaves_a_whole_log(log: BathLog):
    for pause in (0, 1, 3):
        writer = subprocess.Popen(
            [sys.executable, "-c", ENDLESS, str(log.path)], cwd=REPOSITORY, text=True,
            stdout=subprocess.PIPE,
        )  # fmt: skip
        with writer:
            done = [int(writer.stdout.readline()) for _ in range(pause + 1)]
            os.kill(writer.pid, signal.SIGKILL)
        _, uses = log.batch("spring")
        parts: dict[str, int] = {}
        for use in uses[1:]:
            first = use.roll.split("-")[0]
            parts[first] = parts.get(first, 0) + 1
        # Whole steps only, and all that the writer said were done.
        assert set(parts.values()) == {40}
        assert {str(number) for number in done} <= set(parts)
    log.write([Use("spring", "after")], "new")


def test_a_journal_left_by_a_killed_writer_is_rolled_back_by_a_reader(log: BathLog):
    """A hot journal (sqlite.org/lockingv3.html, 4) with the pages of a change never committed."""
    before = log.entries()
    database = sqlite3.connect(log.path, isolation_level=None)
    database.execute("PRAGMA cache_size = 1")
    database.execute("BEGIN IMMEDIATE")
    for number in range(300):
        database.execute(
            "INSERT INTO roll (batch, roll) VALUES ('spring', ?)", (f"x{number}" * 50,)
        )
    copy = log.path.with_name("killed.sqlite")
    shutil.copy(log.path, copy)
    shutil.copy(f"{log.path}-journal", f"{copy}-journal")
    database.execute("ROLLBACK")
    database.close()
    assert copy.stat().st_size > log.path.stat().st_size
    assert BathLog(copy).entries() == before


@given(st.integers(0, 2**32 - 1), st.sampled_from(["bytes", "cut", "zeros"]))
@settings(max_examples=60)
def test_a_damaged_file_gives_entries_or_one_sentence(tmp_path_factory, seed: int, how: str):
    folder = tmp_path_factory.mktemp("damaged")
    log = BathLog(folder / "bath.sqlite", wait_s=0.1)
    log.write(
        [SPRING, *(Use("spring", f"{number}", source="y" * 90) for number in range(60))], "new"
    )
    content, source = bytearray(log.path.read_bytes()), random.Random(seed)
    if how == "cut":
        del content[source.randrange(1, len(content)) :]
    for _ in range(source.choice((1, 5, 60))):
        place = source.randrange(len(content))
        content[place] = 0 if how == "zeros" else source.randrange(256)
    log.path.write_bytes(content)
    told: list[str] = []
    for action in (
        log.entries,
        lambda: log.write([Batch("autumn"), Use("autumn", "1")], "fill"),
        log.undo,
        lambda: log.remove("spring"),
    ):
        try:
            action()
        except Problem as problem:
            told.append(str(problem))
    assert all(sentence.endswith(".") and "\n" not in sentence for sentence in told)
    shutil.rmtree(folder)


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE batch SET mixed = 'soon'",
        "UPDATE batch SET volume_ml = x'00ff'",
        "UPDATE batch SET name = NULL",
        "UPDATE roll SET edge_print_red = NULL",
        "UPDATE roll SET film = CAST(x'ff' AS TEXT)",
        "DROP TABLE roll",
        "UPDATE change SET run = 'x'",
    ],
)
def test_entries_that_make_no_sense_are_told(log: BathLog, damage: str):
    database = sqlite3.connect(log.path)
    with database:
        database.execute(damage)
    database.close()
    with pytest.raises(Problem, match="can't be read as a log of batches"):
        log.write([Use("spring", "08")], "fill")


def test_a_list_of_changes_that_makes_no_sense_is_told(log: BathLog):
    database = sqlite3.connect(log.path)
    with database:
        database.execute("UPDATE change SET before = '{}' WHERE kind = 'roll'")
    database.close()
    with pytest.raises(Problem, match="list of changes makes no sense"):
        log.undo()
    assert log.entries() == (SPRING, SEVEN)
