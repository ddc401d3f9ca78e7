"""What a command asks for, and the exit codes of `Exit`: 0, 1, 3; wrong usage is 2."""

from pathlib import Path

import pytest

from pipeline.problem import Exit, ScanProblem, SettingsProblem
from pipeline.roll_run import exit_code, overall, run_of

OPTIONS = {
    "verbose": False, "as_json": False, "strict": False, "workers": 2, "roll_name": None,
    "cluster": None, "ppi": None,
}  # fmt: skip


@pytest.mark.parametrize(
    ("done", "failed", "code"),
    [(5, 0, Exit.DONE), (0, 0, Exit.DONE), (5, 1, Exit.SOME_FAILED), (0, 1, Exit.NOTHING_DONE)],
)
def test_code_of_one_roll(done, failed, code):
    assert exit_code(done, failed) == code


@pytest.mark.parametrize(
    ("codes", "code"),
    [
        ([], Exit.DONE),
        ([Exit.DONE, Exit.DONE], Exit.DONE),
        ([Exit.DONE, Exit.NOTHING_DONE], Exit.SOME_FAILED),
        ([Exit.DONE, Exit.SOME_FAILED], Exit.SOME_FAILED),
        ([Exit.NOTHING_DONE] * 2, Exit.NOTHING_DONE),
    ],
)
def test_code_of_several_together(codes, code):
    assert overall(codes) == code


def test_a_run_has_its_rolls_and_the_scans_that_are_there(model_roll: Path):
    run = run_of([model_roll], dict(OPTIONS))
    assert [roll.name for roll in run.rolls] == ["harbour"]
    assert run.seen() == sorted(model_roll.glob("*.tif"))
    assert run.workers == 2


def test_a_cluster_is_given_whole_paths(model_roll: Path, monkeypatch):
    monkeypatch.chdir(model_roll.parent)
    run = run_of([Path(model_roll.name)], OPTIONS | {"cluster": "tcp://10.0.0.1:8786"})
    assert all(path.is_absolute() for path in run.seen())


def test_a_wrong_setting_of_the_only_roll_is_raised_and_others_are_told(model_roll, capsys):
    wrong = SettingsProblem(None, "no sense", "give another")
    one = run_of([model_roll], dict(OPTIONS))
    with pytest.raises(SettingsProblem):
        one.told(wrong)
    assert one.told(ScanProblem(Path("a.tif"), "is gone", "look")) == Exit.NOTHING_DONE
    assert "a.tif" in capsys.readouterr().err
