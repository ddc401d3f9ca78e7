"""Rolls out of folders and files: order, what counts, and names that stay in their folder."""

from pathlib import Path, PurePosixPath, PureWindowsPath

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st

from pipeline.command.folder import scans_in
from pipeline.command.run import gather_rolls
from pipeline.problem import ScanProblem, SettingsProblem
from pipeline.settings.settings import safe_name
from pipeline.whole_file import NAMESPACE

PICTURE = np.full((8, 8, 3), 30000, np.uint16)


def scan(path: Path, description: str = "") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    tifffile.imwrite(path, PICTURE, photometric="rgb", description=description)
    return path


@pytest.fixture
def folder(tmp_path):
    for name in ("strip-10.tif", "strip-2.tif", "Strip-1.TIF"):
        scan(tmp_path / "summer" / name)
    return tmp_path / "summer"


def names(paths: tuple[Path, ...]) -> list[str]:
    return [path.name for path in paths]


def test_scans_come_in_natural_order(folder):
    assert names(scans_in(folder)[0]) == ["Strip-1.TIF", "strip-2.tif", "strip-10.tif"]


def test_order_does_not_hang_on_the_disk(folder, monkeypatch):
    for name in ("strip-02.tif", "strip-002.tif", "STRIP-2.tif"):
        scan(folder / name)
    told = scans_in(folder)
    reversed_disk = list(reversed(list(folder.iterdir())))
    monkeypatch.setattr(Path, "iterdir", lambda self: iter(reversed_disk))
    assert scans_in(folder) == told


def test_what_is_no_scan_or_is_our_own_is_left_out(folder):
    scan(folder / "summer_01.tif", description=NAMESPACE)
    scan(folder / ".hidden.tif")
    (folder / "notes.txt").write_text("notes")
    (folder / "more.tif").mkdir()
    assert names(scans_in(folder)[0]) == ["Strip-1.TIF", "strip-2.tif", "strip-10.tif"]


def test_folder_without_scans_or_that_is_none_is_told(tmp_path):
    with pytest.raises(ScanProblem, match="holds no scans"):
        scans_in(tmp_path)
    with pytest.raises(ScanProblem, match="can't be read"):
        scans_in(tmp_path / "absent")


def test_folder_is_a_roll_of_its_name(folder):
    (roll,) = gather_rolls([folder], {})
    assert (roll.name, len(roll.scans), roll.settings.look) == ("summer", 3, "print")
    assert gather_rolls([folder, folder], {}) == (roll,)


def test_command_goes_before_the_roll_file_and_its_id_before_the_folder(folder):
    (folder / "roll.toml").write_text('id = "été 3"\nlook = "log"\nexposure = 1.0\n', "utf-8")
    (roll,) = gather_rolls([folder], {"exposure": -1.0})
    assert (roll.name, roll.settings.look, roll.settings.exposure) == ("été-3", "log", -1.0)
    (named,) = gather_rolls([folder], {}, "mine")
    assert (named.name, named.notes.id) == ("mine", "été 3")


def test_bad_setting_names_the_roll_file_it_stands_in(folder):
    (folder / "roll.toml").write_text("gamma = 0\n", "utf-8")
    with pytest.raises(SettingsProblem, match="'gamma'") as told:
        gather_rolls([folder], {})
    assert told.value.path == folder / "roll.toml"
    (folder / "roll.toml").write_text("", "utf-8")
    with pytest.raises(SettingsProblem, match="'gamma'") as told:
        gather_rolls([folder], {"gamma": 0})
    assert told.value.path is None


def test_files_make_one_roll_in_the_order_given(folder):
    files = [folder / "strip-10.tif", folder / "strip-2.tif", folder / "strip-10.tif"]
    (roll,) = gather_rolls(files, {})
    assert names(roll.scans) == ["strip-10.tif", "strip-2.tif"]
    assert roll.name == "summer"


def test_files_beside_one_folder_join_its_roll(folder, tmp_path):
    extra = scan(tmp_path / "late" / "strip-11.tif")
    (roll,) = gather_rolls([extra, folder, folder / "strip-2.tif"], {})
    assert names(roll.scans) == ["Strip-1.TIF", "strip-2.tif", "strip-10.tif", "strip-11.tif"]
    assert roll.name == "summer"


def test_several_folders_are_several_rolls_and_files_one_more(folder, tmp_path):
    other = scan(tmp_path / "winter" / "a.tif").parent
    extra = scan(tmp_path / "late" / "strip-11.tif")
    rolls = gather_rolls([folder, other, extra], {})
    assert [roll.name for roll in rolls] == ["summer", "winter", "late"]
    assert [len(roll.scans) for roll in rolls] == [3, 1, 1]


def test_roll_is_told_missing_only_if_nothing_named_is_there(folder):
    absent = folder / "absent.tif"
    with pytest.raises(ScanProblem, match=r"absent\.tif: is not there"):
        gather_rolls([absent], {})
    (roll,) = gather_rolls([folder, absent], {})
    assert absent in roll.scans
    assert len(roll.scans) == 4


def test_empty_folder_is_a_roll_with_a_problem_beside_the_others(folder, tmp_path):
    empty = tmp_path / "empty"
    empty.mkdir()
    rolls = gather_rolls([empty, folder], {})
    assert [(roll.name, len(roll.scans)) for roll in rolls] == [("empty", 0), ("summer", 3)]
    assert "holds no scans" in str(rolls[0].problem)
    assert rolls[1].problem is None


def test_nothing_named_is_no_roll():
    assert gather_rolls([], {}) == ()


TRICKS = [
    "../../etc/passwd", "/etc/passwd", "..", ".", "", "   ", "C:\\x", "a\\..\\b", "~root", "a\0b",
    "<img src=x onerror=alert(1)>", "a\n../b", "-rf", "$(reboot)", "a" * 5000, ".evenroll.json",
    "..%2f..", "\u202egpj", "roll\udce9", "\uff0f..\uff0fx",
]  # fmt: skip


@pytest.mark.parametrize("trick", TRICKS)
def test_no_roll_id_leads_out_of_the_folder(folder, trick):
    (roll,) = gather_rolls([folder], {}, trick)
    check_part(roll.name)


@given(st.text())
def test_any_text_becomes_one_plain_part_of_a_file_name(text):
    check_part(safe_name(text))
    assert safe_name(safe_name(text)) == safe_name(text)


def check_part(name: str) -> None:
    assert 0 < len(name) <= 80
    assert PurePosixPath(name).parts == (name,)
    assert PureWindowsPath(name).parts == (name,)
    assert not set(name) & set("<>&\"'/\\:*?|$~%;`\0\n ")
    assert not name.startswith((".", "-"))
    name.encode("utf-8")


def test_the_base_scan_is_no_scan_of_the_roll(folder):
    base = scan(folder / "clear.tif")
    (roll,) = gather_rolls([folder], {"base_scan": str(base)})
    assert "clear.tif" not in names(roll.scans)
    assert len(roll.scans) == 3
    assert roll.settings.base_scan == str(base.absolute())


def test_the_base_scan_of_a_roll_file_lies_beside_it(folder):
    scan(folder / "clear.tif")
    (folder / "roll.toml").write_text('base_scan = "clear.tif"\n')
    (roll,) = gather_rolls([folder], {})
    assert "clear.tif" not in names(roll.scans)
    assert roll.settings.base_scan == str((folder / "clear.tif").absolute())


def test_a_folder_of_phone_pictures_is_a_roll(tmp_path):
    for name in ("a.heic", "b.jxl", "c.webp", "d.jp2", "e.avif", "f.dng"):
        (tmp_path / name).write_bytes(b"no picture")
    assert len(scans_in(tmp_path)[0]) == 6
