"""What a command asks for, and the exit codes of `Exit`: 0, 1, 3; wrong usage is 2."""

from pathlib import Path

import pytest

from pipeline.command.run import exit_code, gather_rolls, overall, run_of
from pipeline.problem import Exit, ScanProblem, SettingsProblem

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


@pytest.fixture
def users_settings(tmp_path: Path, monkeypatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    path = tmp_path / "config" / "evenroll" / "settings.toml"
    path.parent.mkdir(parents=True)
    return path


def test_what_the_user_sets_for_all_rolls_holds_unless_the_roll_or_the_command_says_otherwise(
    users_settings: Path, scans: Path
):
    users_settings.write_text('photographer = "Ines"\nshare = "none"\nexposure = 0.5\n')
    (scans / "roll.toml").write_text('photographer = "Jo"\nexposure = 0.2\n')
    (roll,) = gather_rolls((scans,), {"look": "log"})
    assert (roll.notes.photographer, roll.settings.share) == ("Jo", "none")
    assert (roll.settings.exposure, roll.settings.look) == (0.2, "log")
    (scans / "roll.toml").unlink()
    (roll,) = gather_rolls((scans,), {"exposure": 1.0})
    assert (roll.notes.photographer, roll.settings.exposure) == ("Ines", 1.0)


def test_files_that_settings_name_are_found_from_the_folder_where_they_are_named(
    users_settings: Path, scans: Path, tmp_path, monkeypatch
):
    users_settings.write_text('scanner_profile = "mine.toml"\nprofile = "usual.toml"\n')
    (scans / "roll.toml").write_text('profile = "films/this.toml"\nbase_scan = "clear.tif"\n')
    (roll,) = gather_rolls((scans,), {})
    assert roll.settings.profile == str(scans / "films" / "this.toml")
    assert roll.settings.base_scan == str(scans / "clear.tif")
    assert roll.settings.scanner_profile == str(users_settings.parent / "mine.toml")
    monkeypatch.chdir(tmp_path)
    (roll,) = gather_rolls((scans,), {"profile": "that.toml", "scanner_profile": "narrow-band"})
    assert roll.settings.profile == roll.told["profile"] == str(tmp_path / "that.toml")
    assert roll.settings.scanner_profile == "narrow-band"


@pytest.mark.parametrize(
    "line", ['date = "2025-05-17"', "exposre_ = 1", "[[frames]]\nnumber = '1'\ndrop = true"]
)
def test_what_belongs_to_one_roll_is_refused_in_the_users_settings(users_settings, scans, line):
    users_settings.write_text(line)
    with pytest.raises(
        SettingsProblem, match=r"settings\.toml: .*(put it into the roll\.toml|write)"
    ):
        gather_rolls((scans,), {})
