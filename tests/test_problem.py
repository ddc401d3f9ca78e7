"""Problems tell one sentence, carry their exit code, and cross processes whole."""

import pickle
import re
import signal
from pathlib import Path

import pytest

from pipeline.control.readings import read_readings
from pipeline.problem import (
    ClusterProblem,
    Exit,
    OutputProblem,
    Problem,
    ScanProblem,
    SettingsProblem,
)
from pipeline.profile.film import find_film
from pipeline.profile.scanner import find_scanner
from pipeline.record.document import read_document
from pipeline.record.record import ScanTrouble
from pipeline.settings.settings import read_roll_file

CLASSES = (Problem, ScanProblem, SettingsProblem, OutputProblem, ClusterProblem)


def test_exit_codes_are_those_that_other_programs_were_told():
    told = {"DONE": 0, "SOME_FAILED": 1, "WRONG_USAGE": 2, "NOTHING_DONE": 3}
    # POSIX, Shell and Utilities, 2.8.2: a command that a signal ended has 128 and its number.
    told |= {
        "HUNG_UP": 128 + signal.SIGHUP, "INTERRUPTED": 128 + signal.SIGINT,
        "UNREAD": 128 + signal.SIGPIPE, "TERMINATED": 128 + signal.SIGTERM,
    }  # fmt: skip
    assert {code.name: int(code) for code in Exit} == told
    readme = (Path(__file__).parents[1] / "README.md").read_text("utf-8")
    (line,) = (line for line in readme.splitlines() if line.startswith("Exit codes: "))
    assert [int(code) for code in re.findall(r"\d+", line)] == list(told.values())


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        (ScanProblem, Exit.SOME_FAILED),
        (SettingsProblem, Exit.WRONG_USAGE),
        (OutputProblem, Exit.NOTHING_DONE),
        (ClusterProblem, Exit.NOTHING_DONE),
    ],
)
def test_each_problem_carries_its_exit_code(kind, code):
    assert kind.exit_code is code
    assert issubclass(kind, Problem)


@pytest.mark.parametrize("kind", CLASSES)
def test_sentence_names_file_fault_and_remedy(kind):
    assert str(kind(Path("a/b.tif"), "is empty", "scan it again")) == (
        "a/b.tif: is empty; scan it again."
    )
    assert str(kind(None, "no scans", "name some")) == "no scans; name some."


@pytest.mark.parametrize("kind", CLASSES)
@pytest.mark.parametrize("path", [None, "b.tif", Path("b.tif")])
def test_problem_comes_back_from_a_worker_process_as_it_was(kind, path):
    before = kind(path, "is empty", "scan it again")
    after = pickle.loads(pickle.dumps(before))
    assert type(after) is kind
    assert (after.path, after.what, after.remedy) == (before.path, before.what, before.remedy)
    assert str(after) == str(before)


@pytest.mark.parametrize("name", ["absent", "folder", "file/under"])
@pytest.mark.parametrize(
    "read", [read_document, find_film, find_scanner, read_roll_file, read_readings]
)
def test_a_file_that_can_not_be_read_is_named_once(read, name: str, tmp_path: Path):
    (tmp_path / "folder.toml").mkdir()
    (tmp_path / "file").write_text("")
    path = tmp_path / f"{name}.toml"
    with pytest.raises(Problem) as told:
        read(str(path) if read in (find_film, find_scanner) else path)
    assert str(told.value).count(str(path)) == 1
    assert "Errno" not in str(told.value)


@pytest.mark.parametrize("before", ["", "roll/", "/deep/down/roll/", "down\\"])
def test_what_is_said_of_a_scan_names_it_once(before: str):
    trouble = ScanTrouble("strip.tif", f"{before}strip.tif: is empty; scan it again.")
    assert trouble.bare() == "is empty; scan it again."
    assert trouble.sentence() == "strip.tif: is empty; scan it again."
    other = ScanTrouble("strip.tif", "out/roll_07.jpg: not mystrip.tif: at all")
    assert other.sentence() == f"strip.tif: {other.message}"
