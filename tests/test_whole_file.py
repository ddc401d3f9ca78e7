"""Files that appear whole or not at all, whatever happens, and other people's files."""

import errno
import os
import resource
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline import whole_file
from pipeline.problem import Exit, OutputProblem
from pipeline.profile.space import find_space
from pipeline.record.document import to_json
from pipeline.settings.settings import ARCHIVE_PACKING
from pipeline.write import pictures as write
from tests.write.test_pictures import BYTES, CODES, RECORD, TOLD, archive, names, pixels, share


def test_a_folder_that_may_not_be_written_is_told_without_writing(tmp_path, monkeypatch):
    whole_file.check_folder_to_be(tmp_path / "not" / "yet")
    assert names(tmp_path) == []
    monkeypatch.setattr(os, "access", lambda *_args: False)
    with pytest.raises(OutputProblem, match="permission is denied"):
        whole_file.check_folder_to_be(tmp_path / "not" / "yet")


def write_then(path: Path, happening: Callable[[], None]) -> None:
    with whole_file.atomic(path) as file:
        file.write(b"half")
        happening()


def stop() -> None:
    raise RuntimeError


def test_a_failed_block_leaves_nothing_and_keeps_the_old_file(tmp_path):
    path = tmp_path / "roll.json"
    whole_file.write_text(path, to_json(RECORD))
    before = path.read_bytes()
    with pytest.raises(RuntimeError):
        write_then(path, stop)
    assert path.read_bytes() == before
    assert names(tmp_path) == ["roll.json"]


def test_a_failed_codec_leaves_nothing(tmp_path, monkeypatch):
    def fails(*_args: object) -> None:
        raise MemoryError

    monkeypatch.setattr(write, "append_block", fails)
    with pytest.raises(MemoryError):
        archive(tmp_path / "a.tif")
    assert names(tmp_path) == []


@pytest.mark.parametrize(
    ("number", "sentence"),
    [
        (errno.ENOSPC, "the disk is full; make room"),
        (errno.EDQUOT, "the disk quota is used up; make room"),
        (errno.EROFS, "the disk is read-only; choose another output folder"),
        (errno.EACCES, "permission is denied; choose another output folder"),
        (errno.ENOENT, "its folder has gone; bring it back"),
        (errno.EIO, r"Input/output error\)"),
    ],
)
def test_errors_of_the_disk_are_told_apart(tmp_path, monkeypatch, number, sentence):
    # A stand-in for the disk: tests may run as root, whom permissions don't stop.
    def fails(_descriptor: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(OutputProblem, match=sentence) as caught:
        archive(tmp_path / "a.tif")
    assert caught.value.exit_code == Exit.NOTHING_DONE
    assert str(caught.value).startswith(str(tmp_path / "a.tif"))
    assert names(tmp_path) == []


@pytest.mark.parametrize("packing", ARCHIVE_PACKING)
def test_a_real_refusal_in_mid_picture_keeps_its_number(tmp_path, packing):
    # The system's limit on file size is a real error of the write call, for root too.
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20000, old[1]))
    try:
        with pytest.raises(OutputProblem, match="too large for this disk"):
            archive(tmp_path / "a.tif", packing=packing)
        with pytest.raises(OutputProblem, match="too large for this disk"):
            share(tmp_path / "a.png", np.tile(BYTES, (5, 5, 1)), file_format="png")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
        signal.signal(signal.SIGXFSZ, handler)
    assert names(tmp_path) == []


def test_a_folder_that_vanished_is_told(tmp_path):
    with pytest.raises(OutputProblem, match="its folder has gone"):
        share(tmp_path / "gone" / "a.jpg")


def test_a_folder_that_vanishes_while_writing_is_told(tmp_path):
    folder = tmp_path / "out"
    folder.mkdir()
    with pytest.raises(OutputProblem, match="its folder has gone"):
        write_then(folder / "a.tif", lambda: shutil.rmtree(folder))


def test_a_name_too_long_is_told(tmp_path):
    with pytest.raises(OutputProblem, match="its name is too long; give the roll a shorter id"):
        share(tmp_path / f"{'é' * 200}.jpg")
    assert names(tmp_path) == []


KILLED = """
import sys
from pathlib import Path
from pipeline.whole_file import atomic
with atomic(Path(sys.argv[1])) as file:
    file.write(b"half of it")
    file.flush()
    print("written", flush=True)
    sys.stdin.read()
"""


def test_a_killed_run_leaves_no_final_file_and_is_swept(tmp_path):
    final = tmp_path / "a.tif"
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, final],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=Path(whole_file.__file__).parent.parent,
    )
    assert process.stdout is not None
    assert process.stdin is not None
    assert process.stdout.readline() == b"written\n"
    # Its writer lives, so another run leaves it alone.
    assert whole_file.sweep(tmp_path) == 0
    process.kill()
    process.wait()
    process.stdout.close()
    process.stdin.close()
    assert [name.startswith(".evenroll-a.tif.") for name in names(tmp_path)] == [True]
    assert whole_file.sweep(tmp_path) == 1
    assert names(tmp_path) == []


def test_sweep_takes_nothing_else(tmp_path):
    for name in (".evenroll-notes", "a.part", "evenroll-a.part"):
        (tmp_path / name).write_text("mine")
    assert whole_file.sweep(tmp_path) == 0
    assert len(names(tmp_path)) == 3
    assert whole_file.sweep(tmp_path / "missing") == 0


def test_bytes_reach_the_disk_before_the_name_and_the_name_before_the_end(tmp_path, monkeypatch):
    # rename(2) and fsync(2): after a loss of power a name may show a file whose bytes were not
    # synchronised before, and a new name may be gone whose folder was not.
    steps: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def synced(descriptor: int) -> None:
        steps.append("folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "file")
        fsync(descriptor)

    def renamed(self: Path, target: Path) -> Path:
        steps.append("name")
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", renamed)
    whole_file.write_text(tmp_path / "journal.json", "{}")
    assert steps == ["file", "name", "folder"]
    # The journal is written after the files of a frame, into the same folder.
    steps.clear()
    archive(tmp_path / "a.tif")
    assert steps == ["file", "name"]


@pytest.mark.parametrize("granted", [True, False])
def test_where_fsync_is_not_enough_more_is_asked_of_the_disk(tmp_path, monkeypatch, granted):
    # fcntl(2) of macOS: fsync leaves bytes in the drive's memory, F_FULLFSYNC does not; disks that
    # don't know it refuse.
    asked: list[object] = []

    def control(descriptor: int, what: object) -> None:
        asked.append(what)
        if not granted:
            raise OSError(errno.ENOTSUP, os.strerror(errno.ENOTSUP))

    monkeypatch.setattr(whole_file, "_FULL_SYNC", "full")
    monkeypatch.setattr(whole_file.fcntl, "fcntl", control)
    monkeypatch.setattr(os, "fsync", lambda descriptor: asked.append("fsync"))
    whole_file.write_text(tmp_path / "a.json", to_json(RECORD))
    assert asked == (["full"] * 2 if granted else ["full", "fsync"] * 2)


def test_trials_of_killed_runs_are_cleared_up(tmp_path):
    stale = tmp_path / ".evenroll-trial.0123456789ab.part"
    stale.write_bytes(b"trial")
    whole_file.check_folder(tmp_path)
    assert names(tmp_path) == []


def test_sweep_follows_no_link(tmp_path):
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (tmp_path / ".evenroll-a.0.part").symlink_to(victim)
    (tmp_path / ".evenroll-b.0.part").mkdir()
    os.mkfifo(tmp_path / ".evenroll-c.0.part")
    assert whole_file.sweep(tmp_path) == 0
    assert len(names(tmp_path)) == 4
    assert victim.read_text() == "mine"


# Other people's files


def test_our_own_files_are_known_and_rewritten(tmp_path):
    whole_file.write_text(tmp_path / "roll.json", to_json(RECORD))
    whole_file.write_text(tmp_path / "a.html", '<meta name="generator" content="evenroll 0.1.0">')
    write.write_sidecar(tmp_path / "a.xmp", TOLD)
    share(tmp_path / "a.jpg")
    share(tmp_path / "a.png", file_format="png")
    archive(tmp_path / "a.tif", space=find_space("acescct"))
    for path in tmp_path.iterdir():
        assert whole_file.is_ours(path), path.name
    archive(tmp_path / "a.tif")
    share(tmp_path / "a.jpg", BYTES[:20])
    assert pixels(tmp_path / "a.jpg").shape == (20, 91, 3)


@pytest.mark.parametrize("name", ["a.tif", "a.jpg", "a.xmp"])
def test_files_of_others_are_refused_and_untouched(tmp_path, name):
    path = tmp_path / name
    if name == "a.tif":
        tifffile.imwrite(path, CODES, photometric="rgb")
    elif name == "a.jpg":
        Image.fromarray(BYTES).save(path)
    else:
        path.write_text("<x:xmpmeta xmlns:x='adobe:ns:meta/'/>")
    before = path.read_bytes()
    with pytest.raises(OutputProblem, match="was not written by evenroll; move it away"):
        {"a.tif": archive, "a.jpg": share}.get(name, lambda p: write.write_sidecar(p, TOLD))(path)
    assert path.read_bytes() == before
    assert names(tmp_path) == [name]


@pytest.mark.parametrize("kind", ["link to ours", "link to nothing", "pipe", "device"])
def test_links_and_pipes_in_the_way_are_refused_at_once(tmp_path, kind):
    path, target = tmp_path / "a.xmp", tmp_path / "b.xmp"
    if kind == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to({"device": Path("/dev/zero")}.get(kind, target))
    if kind == "link to ours":
        write.write_sidecar(target, TOLD)
    before = names(tmp_path)
    with pytest.raises(OutputProblem, match=r"a\.xmp: was not written by evenroll; move it away"):
        write.write_sidecar(path, TOLD)
    assert names(tmp_path) == before


def test_a_folder_of_the_name_is_refused(tmp_path):
    (tmp_path / "a.tif").mkdir()
    with pytest.raises(OutputProblem, match="is a folder"):
        archive(tmp_path / "a.tif")


def test_output_folder_is_created_and_left_empty(tmp_path):
    folder = tmp_path / "new" / "out"
    whole_file.check_folder(folder)
    whole_file.check_folder(folder)
    assert names(folder) == []


def test_output_folder_that_is_a_file_is_refused(tmp_path):
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputProblem, match="out: is a file; choose another output folder"):
        whole_file.check_folder(tmp_path / "out")
    with pytest.raises(OutputProblem, match="a file is in its way"):
        whole_file.check_folder(tmp_path / "out" / "deeper")


def test_output_folder_that_takes_no_files_is_refused():
    # /proc takes no new files from anyone, root included.
    with pytest.raises(OutputProblem, match="/proc: can't be written"):
        whole_file.check_folder(Path("/proc"))


def test_output_folder_on_a_full_disk_is_refused(tmp_path, monkeypatch):
    def fails(*_args: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", fails)
    with pytest.raises(OutputProblem, match="the disk is full"):
        whole_file.check_folder(tmp_path / "out")
    assert names(tmp_path / "out") == []


def test_what_is_unfinished_goes_and_what_others_hold_stays(tmp_path):
    """As a process ends at once: files of its own under way, but no lock of another process."""
    other = tmp_path / "other"
    other.mkdir()
    hold = (
        "import fcntl, sys; file = open(sys.argv[1], 'w'); fcntl.flock(file, fcntl.LOCK_EX);"
        "print('held', flush=True); sys.stdin.read()"
    )
    theirs = other / whole_file.LOCK_NAME
    holder = subprocess.Popen(
        [sys.executable, "-c", hold, theirs], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    with holder:
        assert holder.stdout.readline() == b"held\n"
        own = tmp_path / whole_file.LOCK_NAME
        with theirs.open(), own.open("x"), pytest.raises(OutputProblem):
            write_then(tmp_path / "a.tif", whole_file.take_unfinished_away)
        holder.communicate(b"")
    assert names(tmp_path) == ["other"]
    assert names(other) == [whole_file.LOCK_NAME]
