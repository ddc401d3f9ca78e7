import errno
import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline import whole_file
from pipeline.render import positive
from pipeline.roll.survey import survey_roll
from tests.conftest import Run, contents, states
from tests.film_model.picture import picture_codes

DENSITY_RANGE = 2.6  # Of a slide's rebate above clear film: from memory.


def write_tiff(path: Path, picture: np.ndarray, ppi: float = 160.0) -> Path:
    kind = "rgb" if picture.ndim == 3 else "minisblack"
    options = {"photometric": kind, "resolution": (ppi, ppi), "resolutionunit": "INCH"}
    tifffile.imwrite(path, picture, **options)
    return path


def empty(folder: Path, source: Path) -> Path:
    path = folder / "bad.tif"
    path.write_bytes(b"")
    return path


def cut_short(folder: Path, source: Path) -> Path:
    path = folder / "bad.tif"
    path.write_bytes(source.read_bytes()[: source.stat().st_size // 2])
    return path


def one_channel(folder: Path, source: Path) -> Path:
    return write_tiff(folder / "bad.tif", tifffile.imread(source)[..., 0])


def no_picture(folder: Path, source: Path) -> Path:
    path = folder / "bad.tif"
    path.write_text("a letter, not a picture\n" * 40, encoding="utf-8")
    return path


def photograph(folder: Path, source: Path) -> Path:
    return write_tiff(folder / "bad.tif", picture_codes("table"))


def photograph_on_white(folder: Path, source: Path) -> Path:
    page = np.full((812, 812, 3), 250, np.uint8)
    page[150:662, 150:662] = picture_codes("table")[:, :512]
    return write_tiff(folder / "bad.tif", page)


def photograph_on_black(folder: Path, source: Path) -> Path:
    page = np.full((812, 812, 3), 4, np.uint8)
    page[150:662, 150:662] = picture_codes("table")[:, :512]
    return write_tiff(folder / "bad.tif", page, 300.0)


def photograph_without_resolution(folder: Path, source: Path) -> Path:
    path = folder / "bad.tif"
    Image.fromarray(picture_codes("cat")).save(path)
    return path


def slide(folder: Path, source: Path) -> Path:
    """Make a strip of slides from one of negatives: densities turned about, rebate densest."""
    light = tifffile.imread(source) / 65535
    truth = json.loads(source.with_suffix(".truth.json").read_text("utf-8"))
    base = 0.9 * 10.0 ** -np.array(truth["strips"][0]["base_density"])
    above = -np.log10(np.maximum(light, 1e-4) / base)
    positive = 0.9 * 10.0 ** -np.clip(DENSITY_RANGE - 1.5 * above, 0.1, DENSITY_RANGE)
    positive[light.max(axis=2) > 0.8] = 0.9
    positive[light.max(axis=2) < 0.012] = 0.003
    return write_tiff(folder / "bad.tif", np.rint(positive * 65535).astype(np.uint16))


MAKERS = (
    empty, cut_short, one_channel, no_picture, photograph, photograph_on_white,
    photograph_on_black, photograph_without_resolution, slide,
)  # fmt: skip


def assert_clean(out: Path) -> None:
    """Check that nothing half-written is left: no temporary file, and every picture opens."""
    for path in out.rglob("*"):
        assert not path.name.endswith(".part")
        if path.suffix in (".jpg", ".png"):
            with Image.open(path) as picture:
                picture.load()
        elif path.suffix == ".tif":
            assert tifffile.imread(path).ndim == 3


def one_sentence(err: str, name: str) -> bool:
    """Tell whether stderr is one line that names the file, what is wrong and what to do."""
    lines = err.splitlines()
    return len(lines) == 1 and name in err and "; " in err and err.endswith(".\n")


@pytest.mark.parametrize("make", MAKERS)
def test_a_bad_scan_alone_is_one_sentence(make, model_roll: Path, tmp_path: Path, run: Run):
    bad = make(tmp_path, model_roll / "strip-1.tif")
    before = bad.read_bytes(), bad.stat().st_mtime_ns
    ran = run("convert", bad, "-o", tmp_path / "out")
    assert ran.code == 3
    assert ran.out == ""
    assert one_sentence(ran.err, "bad.tif"), ran.err
    assert (bad.read_bytes(), bad.stat().st_mtime_ns) == before
    assert list((tmp_path / "out").iterdir()) == []


def test_bad_scans_stop_no_good_one(scans: Path, tmp_path: Path, run: Run, converted: Path):
    cut_short(scans, scans / "strip-1.tif")
    (scans / "blank.png").write_bytes(b"")
    before = states(scans)
    ran = run("convert", scans, "-o", tmp_path / "out")
    assert ran.code == 1
    failed = [line for line in ran.err.splitlines() if "bad.tif" in line or "blank.png" in line]
    assert len(failed) == 2
    record = json.loads((tmp_path / "out" / "roll.json").read_text("utf-8"))
    assert [each["scan"] for each in record["problems"]][:2] == ["bad.tif", "blank.png"]
    good = {name: data for name, data in contents(converted).items() if name.endswith(".tif")}
    made = contents(tmp_path / "out")
    assert {name: made[name] for name in good} == good
    assert states(scans) == before
    assert_clean(tmp_path / "out")


def test_other_files_in_the_folder_are_no_scans(scans: Path, tmp_path: Path, run: Run, converted):
    (scans / "notes.txt").write_text("fixer is old", encoding="utf-8")
    (scans / ".DS_Store").write_bytes(b"\0\0\0\1Bud1")
    (scans / "._strip-1.tif").write_bytes(b"\0\5\26\7")
    (scans / "sub").mkdir()
    (scans / "sub.tif").mkdir()
    shutil.copy(scans / "strip-1.tif", scans / "sub" / "strip-9.tif")
    assert run("convert", scans, "-o", tmp_path / "out").code == 0
    assert contents(tmp_path / "out") == contents(converted)


def test_output_beside_the_scans_is_never_taken_for_scans(scans: Path, run: Run):
    assert run("split", scans, "-o", scans).code == 0
    before = states(scans)
    ran = run("split", scans, "-o", scans)
    assert ran.code == 0
    assert states(scans) == before


@pytest.mark.parametrize("what", ["empty folder", "missing path", "folder of folders"])
def test_nothing_to_work_on(what: str, tmp_path: Path, run: Run):
    path = tmp_path / "nothing"
    if what == "empty folder":
        path.mkdir()
    if what == "folder of folders":
        (path / "roll").mkdir(parents=True)
    ran = run("convert", path, "-o", tmp_path / "out")
    assert ran.code == 3
    assert one_sentence(ran.err, str(path)), ran.err
    assert ("name the folders in it" in ran.err) == (what == "folder of folders")


def test_missing_paths_among_others_are_failures(model_roll: Path, tmp_path: Path, run: Run):
    empty_folder = tmp_path / "empty"
    empty_folder.mkdir()
    ran = run("convert", model_roll, empty_folder, "-o", tmp_path / "out", "--share", "none")
    assert ran.code == 1
    assert str(empty_folder) in ran.err
    assert (tmp_path / "out" / "harbour" / "roll.json").is_file()
    ran = run("measure", model_roll / "strip-1.tif", tmp_path / "gone.tif")
    assert ran.code == 1
    assert "gone.tif: there is no such file; check the name." in ran.err


def test_what_may_not_be_looked_at_stops_nothing_else(
    model_roll: Path, tmp_path: Path, run: Run, monkeypatch
):
    hidden = tmp_path / "hidden"
    hidden.mkdir()
    shutil.copy(model_roll / "strip-1.tif", hidden)
    look, allowed = Path.stat, os.access

    def denied(path: Path, **options: bool) -> os.stat_result:
        if hidden in path.parents:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return look(path, **options)

    monkeypatch.setattr(Path, "stat", denied)
    monkeypatch.setattr(
        os, "access", lambda path, mode: Path(path) != hidden and allowed(path, mode)
    )
    scan, long = hidden / "strip-1.tif", tmp_path / ("x" * 300 + ".tif")
    for path, said in ((scan, "may not be read"), (long, "can't be read"), (hidden, "can't be")):
        ran = run("measure", path)
        assert ran.code == 3
        assert one_sentence(ran.err, f"{path}: {said}")
        ran = run("measure", model_roll, path)
        assert ran.code == 1
        assert f"{path}: {said}" in ran.err


def test_output_folder_that_is_a_file(model_roll: Path, tmp_path: Path, run: Run):
    path = tmp_path / "out"
    path.write_text("mine", encoding="utf-8")
    ran = run("convert", model_roll, "-o", path)
    assert ran.code == 3
    assert one_sentence(ran.err, str(path))
    assert path.read_text("utf-8") == "mine"


def test_output_folder_in_proc(model_roll: Path, run: Run):
    ran = run("convert", model_roll, "-o", "/proc/evenroll")
    assert ran.code == 3
    assert one_sentence(ran.err, "/proc/evenroll")


def test_output_folder_without_permission(model_roll, tmp_path, run: Run, monkeypatch):
    def denied(self: Path, data: bytes) -> int:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "write_bytes", denied)
    ran = run("convert", model_roll, "-o", tmp_path / "out")
    assert ran.code == 3
    assert one_sentence(ran.err, str(tmp_path / "out"))
    assert "permission is denied" in ran.err


def test_a_foreign_file_in_the_way_loses_one_frame(model_roll: Path, tmp_path: Path, run: Run):
    out = tmp_path / "out"
    out.mkdir()
    foreign = out / "harbour_12.tif"
    write_tiff(foreign, np.zeros((4, 4, 3), np.uint16))
    before = foreign.read_bytes()
    ran = run("convert", model_roll, "-o", out)
    assert ran.code == 1
    assert foreign.read_bytes() == before
    assert "harbour_12.tif: was not written by evenroll" in ran.err
    record = json.loads((out / "roll.json").read_text("utf-8"))
    frames = {f["number"]: f["files"] for strip in record["strips"] for f in strip["frames"]}
    assert frames["12"] == {"archive": None, "share": None, "sidecar": None}
    assert all((out / name).is_file() for f in frames.values() for name in f.values() if name)
    foreign.unlink()
    assert run("convert", model_roll, "-o", out).code == 0


class FullDisk:
    """A stand-in for os.fsync that lets so many files through, and then has no room.

    With `pictures`, only theirs count: how often a journal is kept is a matter of time.
    """

    def __init__(self, room: int, pictures: bool = False) -> None:
        self.room, self.pictures = room, pictures

    def __call__(self, descriptor: int) -> None:
        if self.pictures and "harbour_" not in str(Path(f"/proc/self/fd/{descriptor}").readlink()):
            return
        self.room -= 1
        if self.room < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize(("room", "pictures", "code"), [(0, False, 3), (2, False, 3), (5, True, 1)])
def test_a_full_disk_ends_the_run(
    room, pictures, code, model_roll, tmp_path, run: Run, monkeypatch
):
    monkeypatch.setattr(whole_file.os, "fsync", FullDisk(room, pictures))
    ran = run("convert", model_roll, "-o", tmp_path / "out", "--workers", "1")
    assert ran.code == code
    told = [line for line in ran.err.splitlines() if "the disk is full" in line]
    assert len(told) == 1
    assert told[0].endswith("make room and run again.")
    assert_clean(tmp_path / "out")


def test_after_a_full_disk_a_rerun_ends_the_same(model_roll, tmp_path, run, monkeypatch, converted):
    with monkeypatch.context() as patched:
        patched.setattr(whole_file.os, "fsync", FullDisk(5, pictures=True))
        assert run("convert", model_roll, "-o", tmp_path / "out", "--workers", "1").code == 1
    ran = run("convert", model_roll, "-o", tmp_path / "out")
    assert ran.code == 0
    assert contents(tmp_path / "out") == contents(converted)


def test_a_scan_that_vanishes_after_the_survey(scans: Path, tmp_path: Path, run: Run, monkeypatch):

    def surveyed(*words):
        found = survey_roll(*words)
        (scans / "strip-1.tif").unlink()
        return found

    monkeypatch.setattr("pipeline.roll.survey_roll", surveyed)
    ran = run("convert", scans, "-o", tmp_path / "out")
    assert ran.code == 1
    assert "strip-1.tif: there is no such file; check the name." in ran.err
    assert sorted(tmp_path.glob("out/*.tif")) == [
        tmp_path / "out" / f"harbour_{number}.tif" for number in (15, 17)
    ]
    assert_clean(tmp_path / "out")


def test_a_scan_replaced_after_the_survey(scans: Path, tmp_path: Path, run: Run, monkeypatch):
    def surveyed(*words):
        found = survey_roll(*words)
        shutil.copyfile(scans / "strip-2.tif", scans / "strip-1.tif")
        return found

    monkeypatch.setattr("pipeline.roll.survey_roll", surveyed)
    ran = run("convert", scans, "-o", tmp_path / "out")
    assert ran.code == 1
    assert "strip-1.tif: has changed since it was looked at; start again." in ran.err
    assert sorted(tmp_path.glob("out/*.tif")) == [
        tmp_path / "out" / f"harbour_{number}.tif" for number in (15, 17)
    ]
    assert_clean(tmp_path / "out")


def test_a_worker_that_stumbles_loses_one_frame(model_roll, tmp_path, run: Run, monkeypatch):
    bands = positive.light_bands

    def stumbling(scan, *more):
        if scan.path.name == "strip-2.tif":
            raise ValueError("not what I thought")
        return bands(scan, *more)

    monkeypatch.setattr(positive, "light_bands", stumbling)
    ran = run("convert", model_roll, "-o", tmp_path / "out")
    assert ran.code == 1
    assert "Traceback" not in ran.err
    assert "harbour_15: can't be worked on (ValueError: not what I thought)" in ran.err
    assert len(list(tmp_path.glob("out/*.tif"))) == 4


def test_links_out_of_the_folder_and_pipes_are_refused_and_the_rest_done(
    scans: Path, tmp_path: Path, run: Run, converted: Path
):
    outside = tmp_path / "private.tif"
    shutil.copy(scans / "strip-1.tif", outside)
    (scans / "link.tif").symlink_to(outside)
    (scans / "dangling.png").symlink_to("nothing")
    (scans / "endless.tif").symlink_to("/dev/zero")
    (scans / "circle.tif").symlink_to("circle.tif")
    os.mkfifo(scans / "pipe.tif")
    ran = run("convert", scans, "-o", tmp_path / "out")
    assert ran.code == 1
    for name in ("link.tif", "dangling.png", "endless.tif", "circle.tif"):
        assert f"{name}: is a link that leads out of its folder or nowhere; name " in ran.err
    assert "pipe.tif: is no plain file; take it out of the folder." in ran.err
    good = {name: data for name, data in contents(converted).items() if name.endswith(".tif")}
    assert {n: d for n, d in contents(tmp_path / "out").items() if n.endswith(".tif")} == good


def test_links_within_the_folder_and_named_files_are_followed(scans: Path, tmp_path, run: Run):
    (scans / "strip-1.tif").rename(scans / "data")
    (scans / "strip-1.tif").symlink_to("data")
    assert run("measure", scans).code == 0
    link = tmp_path / "elsewhere.tif"
    link.symlink_to(scans / "strip-2.tif")
    assert run("measure", link).code == 0


@pytest.mark.parametrize("what", ["link", "pipe", "folder", "device", "huge"])
def test_roll_files_that_are_none_are_refused(what: str, scans: Path, tmp_path: Path, run: Run):
    path = scans / "roll.toml"
    if what == "link":
        (tmp_path / "secret").write_text("password = 'x'", encoding="utf-8")
        path.symlink_to(tmp_path / "secret")
    elif what == "device":
        path.symlink_to("/dev/zero")
    elif what == "pipe":
        os.mkfifo(path)
    elif what == "folder":
        path.mkdir()
    else:
        path.write_bytes(b"# " + b"x" * 300_000)
    ran = run("convert", scans, "-o", tmp_path / "out")
    assert ran.code == 2
    assert one_sentence(ran.err, str(path)), ran.err


@pytest.mark.parametrize("option", ["--profile", "--scanner-profile"])
def test_profiles_that_are_no_files_are_refused(option: str, model_roll, tmp_path, run: Run):
    for target in ("/dev/zero", "/proc/kmsg"):
        path = tmp_path / f"{Path(target).name}.toml"
        path.symlink_to(target)
        ran = run("measure", model_roll, option, path)
        assert ran.code in (2, 3)
        assert str(path) in ran.err
        assert "Traceback" not in ran.err


def test_an_output_folder_that_vanishes_is_told_once(model_roll, tmp_path, run: Run, monkeypatch):
    out, cut = tmp_path / "out", positive.light_bands

    def vanishing(scan, *more):
        shutil.rmtree(out, ignore_errors=True)
        return cut(scan, *more)

    monkeypatch.setattr(positive, "light_bands", vanishing)
    ran = run("convert", model_roll, "-o", out, "--workers", "1")
    assert ran.code == 3
    told = [line for line in ran.err.splitlines() if "its folder has gone" in line]
    assert len(told) == 1
    assert told[0].endswith("bring it back and run again.")
    assert "Traceback" not in ran.err
    assert not out.exists()


def test_names_that_would_rule_the_terminal_are_printed_without_it(tmp_path: Path, run: Run):
    path = tmp_path / "a\x1b[2J\nb.tif"
    path.write_bytes(b"")
    for words in (("measure", path), ("measure", tmp_path), ("measure", f"{path}.gone")):
        ran = run(*words)
        assert ran.code == 3
        assert "\x1b" not in ran.err + ran.out
        assert len(ran.err.splitlines()) == 1
