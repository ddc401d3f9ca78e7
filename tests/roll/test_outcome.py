"""A roll that stands is told again without a look at its scans; anything changed is looked at."""

import json
import os
import re
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.command.run import gather_rolls
from pipeline.profile.folder import profiles_folder
from pipeline.roll import scans as roll_scans
from pipeline.roll.journal import JOURNAL_NAME
from pipeline.roll.outcome import standing
from tests.conftest import Run, contents, states

FAST = ("--archive", "none", "--share-size", "64", "--reference", "none")


@pytest.fixture
def settled(scans: Path) -> Path:
    """Return a folder of one scan that was written long ago, and a profile beside it."""
    (scans / "strip-2.tif").unlink()
    shutil.copy(profiles_folder() / "films" / "generic.toml", scans / "mine.toml")
    return scans


@pytest.fixture
def convert(settled: Path, tmp_path: Path, run: Run, monkeypatch):
    """Return a function that converts and tells whether scans were looked at."""
    looked: list[Path] = []
    survey = roll_scans.survey_scan

    def looking(path: Path, *words: object, **more: object):
        looked.append(path)
        return survey(path, *words, **more)

    monkeypatch.setattr(roll_scans, "survey_scan", looking)
    # Files just written may change again within a tick of the clock; these won't.
    monkeypatch.setattr("pipeline.roll.journal._SETTLED_NS", 0)

    def command(*words: object):
        looked.clear()
        ran = run("convert", settled, "-o", tmp_path / "out", *FAST, *words)
        assert ran.code == 0, ran.err
        return bool(looked), ran

    return command


def test_an_unchanged_roll_is_not_looked_at_and_told_as_before(convert, tmp_path: Path):
    looked, first = convert()
    assert looked
    before = states(tmp_path / "out")
    looked, again = convert()
    assert not looked
    assert again.out.splitlines()[:-1] == first.out.splitlines()[:-1]
    assert "0 written now, 4 stood already" in again.out
    assert "no colour profile and no gamma given" in again.err
    assert states(tmp_path / "out") == before
    (result,) = json.loads(convert("--json")[1].out)
    assert (result["written"], result["kept"], result["failed"]) == (0, 4, 0)
    assert len(result["problems"]) == 1


def test_what_a_killed_run_left_goes_though_all_stands(convert, tmp_path: Path):
    # A run may be killed when all is done but its lock file is not taken away yet.
    convert()
    before = states(tmp_path / "out")
    left = (".evenroll.lock", ".evenroll-a.tif.0123456789ab.part")
    for name in left:
        (tmp_path / "out" / name).write_bytes(b"")
    looked, _ = convert()
    assert not looked
    assert states(tmp_path / "out") == before
    assert not any((tmp_path / "out" / name).exists() for name in left)


@pytest.mark.skipif(sys.platform == "win32", reason="no locks there")
def test_what_another_run_is_at_stays_though_all_stands(convert, tmp_path: Path):
    import fcntl

    convert()
    part = tmp_path / "out" / ".evenroll-a.tif.0123456789ab.part"
    part.write_bytes(b"")
    with (tmp_path / "out" / ".evenroll.lock").open("wb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        looked, _ = convert()
        assert not looked
        assert part.exists()
        assert (tmp_path / "out" / ".evenroll.lock").exists()


def test_whatever_changes_is_looked_at(convert, settled: Path, tmp_path: Path):
    out, profile = tmp_path / "out", settled / "mine.toml"
    assert convert("--profile", profile)[0]
    assert not convert("--profile", profile)[0]
    profile.write_text(profile.read_text("utf-8").replace("0.585", "0.600"), "utf-8")
    assert convert("--profile", profile)[0]
    assert convert()[0]
    (out / "roll.json").unlink()
    assert convert()[0]
    assert not convert()[0]
    (settled / "roll.toml").write_text("iso = 400\n", "utf-8")
    assert convert()[0]
    assert not convert()[0]
    whole = contents(out)
    os.utime(settled / "strip-1.tif", ns=(0, 10**18))
    looked, ran = convert()
    assert looked
    assert "0 written now" in ran.out
    assert contents(out) == whole


NONSENSE = (
    3, [], {"key": 1}, {"frames": 3}, {"frames": [1]}, {"problems": [3]}, {"lines": None},
    {"keys": {}}, {"keys": {"x": "y"}},
)  # fmt: skip


def test_nonsense_in_the_journal_is_looked_past(convert, settled: Path, tmp_path: Path):
    convert()
    path = tmp_path / "out" / JOURNAL_NAME
    good = json.loads(path.read_text("utf-8"))
    changes = {"archive": "none", "share_size": 64, "reference": "none"}
    (roll,) = gather_rolls([settled], changes)
    assert standing(roll, tmp_path / "out", lambda event: None) is not None
    for each in NONSENSE:
        whole = good["whole"] | each if isinstance(each, dict) else each
        path.write_text(json.dumps(good | {"whole": whole}), "utf-8")
        assert standing(roll, tmp_path / "out", lambda event: None) is None, each


def test_words_in_the_journal_can_not_rule_the_terminal(convert, tmp_path: Path):
    convert()
    path = tmp_path / "out" / JOURNAL_NAME
    document = json.loads(path.read_text("utf-8"))
    document["whole"]["lines"] = ["\x1b[2J"]
    path.write_text(json.dumps(document), "utf-8")
    looked, ran = convert()
    assert not looked
    assert "\x1b" not in ran.out


def test_what_the_user_changed_is_left_and_named(convert, tmp_path: Path):
    out = tmp_path / "out"
    convert()
    sidecars, pictures = sorted(out.glob("*.xmp")), sorted(out.glob("*_*.jpg"))
    rated = sidecars[0].read_text("utf-8").replace(
        '<rdf:Description rdf:about=""',
        '<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="5"/>'
        '<rdf:Description rdf:about=""',
        1,
    )  # fmt: skip
    sidecars[0].write_text(rated, "utf-8")
    # As a program leaves it that retouches a picture and keeps its metadata.
    pictures[1].write_bytes(pictures[1].read_bytes() + b"retouched")
    retouched = pictures[1].read_bytes()
    names = sorted((sidecars[0].name, pictures[1].name))

    looked, again = convert()
    assert not looked
    assert f"left as you changed them: {', '.join(names)}" in again.out
    untouched = pictures[0].read_bytes()
    _, darker = convert("--exposure", "-1", "--json")
    assert sorted(json.loads(darker.out)[0]["changed"]) == names
    assert sidecars[0].read_text("utf-8") == rated
    assert pictures[1].read_bytes() == retouched
    assert pictures[0].read_bytes() != untouched

    _, last = convert("--exposure", "-1", "--replace")
    assert "left as you changed them" not in last.out
    assert pictures[1].read_bytes() != retouched
    assert "Rating>5" in sidecars[0].read_text("utf-8")
    _, stood = convert("--exposure", "-1")
    assert "0 written now, 4 stood already" in stood.out
    assert "left as" not in stood.out


def test_a_dry_run_writes_nothing_and_tells_what_would_be(convert, tmp_path: Path):
    out = tmp_path / "out"
    _, first = convert("--dry-run")
    assert not out.exists()
    assert re.search(r"4 would be written: \S+_\d\d, ", first.out)
    assert f"Nothing was written: {out}" in first.out
    convert()
    before = states(out)
    _, again = convert("--dry-run")
    assert re.search(r"4 would be left, as nothing changed: ", again.out)
    (sidecar := sorted(out.glob("*.xmp"))[0]).write_text(sidecar.read_text() + "\n")
    before = states(out)
    _, darker = convert("--dry-run", "--exposure", "-1")
    assert re.search(r"4 would be written anew: ", darker.out)
    assert f"1 would be left as you changed them: {sidecar.name}" in darker.out
    assert states(out) == before


def test_a_dry_run_tells_what_a_true_run_refuses(convert, run: Run, settled: Path, tmp_path: Path):
    out = tmp_path / "out"
    dry = ("convert", settled, "-o", out, *FAST, "--dry-run")
    out.mkdir()
    (out / "roll.json").write_text("{}")
    name = re.search(r"written: (\S+), ", run(*dry).out)[1]
    (out / f"{name}.jpg").write_bytes(b"somebody's picture")
    before = states(out)
    told = run(*dry)
    assert told.code == 1
    assert "3 would be written: " in told.out
    assert name not in told.out
    for file in ("roll.json", f"{name}.jpg"):
        assert f"{file}: was not written by evenroll; move it away" in told.err
    assert states(out) == before
    true = run(*dry[:-1])
    assert (true.code, true.err) == (told.code, told.err)


def test_a_dry_run_ends_as_a_true_run_does(run: Run, settled: Path, tmp_path: Path):
    (settled / "broken.tif").write_bytes(b"")
    words = ("convert", settled, "-o", tmp_path / "out", *FAST, "--json")
    dry, true = run(*words, "--dry-run"), run(*words)
    assert dry.code == true.code == 1
    told, done = json.loads(dry.out)[0], json.loads(true.out)[0]
    assert (told["to_write"], told["written"]) == (done["written"], done["to_write"]) == (4, 0)
    assert told["problems"] == done["problems"]


def test_a_dry_run_tells_a_result_of_another_kind(convert, run: Run, settled: Path, tmp_path: Path):
    out = tmp_path / "out"
    convert()
    before = states(out)
    for more in ((), ("--dry-run",)):
        told = run("split", settled, "-o", out, *more)
        assert told.code == 3
        assert "holds positives of look print, and negatives would take their place" in told.err
        assert states(out) == before
    assert run("split", settled, "-o", out, "--dry-run", "--replace").code == 0
    assert states(out) == before


@pytest.mark.parametrize("deeper", ["", "deeper"])
def test_a_dry_run_tells_a_folder_that_can_not_be(
    run: Run, settled: Path, tmp_path: Path, deeper: str
):
    (tmp_path / "out").write_text("a file")
    told = [
        run("convert", settled, "-o", tmp_path / "out" / deeper, *FAST, *more)
        for more in ((), ("--dry-run",))
    ]
    assert told[0].code == told[1].code == 3
    assert told[0].err == told[1].err


def test_only_the_frames_named_are_written(convert, run: Run, settled: Path, tmp_path: Path):
    out = tmp_path / "out"
    convert()
    before, sheets = contents(out), sorted(path.stem for path in out.glob("*.xmp"))
    last = sheets[-1].rpartition("_")[2]
    _, ran = convert("--exposure", "-1", "--only", last)
    assert "1 written now" in ran.out
    after = contents(out)
    for stem in sheets:
        assert (before[f"{stem}.jpg"] != after[f"{stem}.jpg"]) == (stem == sheets[-1])
    files = [f["files"]["share"] for f in json.loads(after["roll.json"])["strips"][0]["frames"]]
    assert [name for name in files if name] == [f"{stem}.jpg" for stem in sheets]
    # What was passed over is done when it is asked for.
    assert "3 written now" in convert("--exposure", "-1")[1].out
    wrong = run("convert", settled, "-o", out, *FAST, "--only", "88")
    assert (wrong.code, "there is no frame 88 to write" in wrong.err) == (2, True)


def test_a_base_scan_that_changed_is_looked_at_again(convert, tmp_path: Path):
    clear = tmp_path / "clear.tif"
    level = np.full((40, 60, 3), 30000, np.uint16)
    tifffile.imwrite(clear, level, photometric="rgb")
    assert convert("--base-scan", clear)[0]
    assert not convert("--base-scan", clear)[0]
    tifffile.imwrite(clear, level + 900, photometric="rgb")
    assert convert("--base-scan", clear)[0]
