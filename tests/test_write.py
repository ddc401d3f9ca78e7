"""Pictures as other programs read them, and files that appear whole or not at all."""

import errno
import hashlib
import io
import json
import os
import resource
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import exiv2
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from PIL import Image, ImageCms

from pipeline import write
from pipeline.metadata import FrameMetadata
from pipeline.problem import Exit, OutputProblem
from pipeline.record import ColourRecord, RollDensities, RollRecord, to_json
from pipeline.settings import ARCHIVE_PACKING
from pipeline.sidecar import xmp_packet
from pipeline.space import find_space, icc_profile

TOLD = FrameMetadata(
    title="summer 07",
    description="Été à la mer",
    camera="box",
    lens="80 mm",
    iso=400,
    digitized=datetime(2024, 9, 1, 12),
    roll="summer",
    number="07",
)
ROMM = find_space("romm-rgb")
CODES = np.random.default_rng(3).integers(0, 65536, (60, 91, 3), dtype=np.uint16)
BYTES = (CODES >> 8).astype(np.uint8)
RECORD = RollRecord(
    roll={"id": "summer"},
    profile="generic",
    look="print",
    colour=ColourRecord((0.0, 0.0, 0.0), (0.6, 0.6, 0.6), "roll"),
    strips=(),
    densities=RollDensities(None, None, None, None),
)


def archive(path: Path, picture: np.ndarray = CODES, **changes: object) -> Path:
    given = {"space": ROMM, "ppi": 1600.5, "metadata": TOLD, **changes}
    # Rows in bands of seven, as the last one of a picture seldom is.
    bands = (picture[top : top + 7] for top in range(0, len(picture), 7))
    write.write_archive(path, bands, picture.shape[:2], picture.dtype.name, **given)
    return path


def share(path: Path, picture: np.ndarray = BYTES, **changes: object) -> Path:
    write.write_share(path, picture, **{"ppi": 300.0, "metadata": TOLD, **changes})
    return path


def exiftool(path: Path) -> dict:
    asked = ["exiftool", "-json", "-G1", "-struct", "-n", path]
    return json.loads(subprocess.run(asked, capture_output=True, check=True).stdout)[0]


def pixels(path: Path) -> np.ndarray:
    with Image.open(path) as image:
        return np.asarray(image.convert("RGB"))


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


# Pictures


@pytest.mark.parametrize("packing", ARCHIVE_PACKING)
@pytest.mark.parametrize("kind", [np.uint16, np.float32])
def test_archive_is_read_back_exactly(tmp_path, packing, kind):
    picture = CODES if kind is np.uint16 else (CODES / np.float32(30000) - np.float32(0.2))
    path = archive(tmp_path / "a.tif", picture, packing=packing)
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        assert (page.asarray() == picture).all()
        assert page.dtype == kind
        # TIFF 6.0, section 14, and TIFF technical note 3.
        assert page.predictor == (1 if packing == "none" else 2 if kind is np.uint16 else 3)
        assert page.iccprofile == icc_profile(ROMM)
        assert page.tags["XResolution"].value == (3201, 2)
        assert page.software.startswith("evenroll ")
        assert not tiff.is_bigtiff


def test_archive_of_many_strips_and_a_view_is_read_back(tmp_path):
    large = np.random.default_rng(4).integers(0, 65536, (600, 900, 3), dtype=np.uint16)
    view = large[::-1, 10:-10:2]
    for packing in ("deflate", "none"):
        path = archive(tmp_path / f"{packing}.tif", view, packing=packing)
        with tifffile.TiffFile(path) as tiff:
            assert (tiff.pages[0].asarray() == view).all()
            assert (len(tiff.pages[0].dataoffsets) > 1) == (packing == "deflate")


def test_packed_archive_is_read_by_libtiff(tmp_path):
    # Pillow's bundled libtiff; it reads 16 bit RGB as 8 bit, the high byte.
    read = pixels(archive(tmp_path / "a.tif"))
    assert np.abs(read.astype(int) - (CODES >> 8)).max() <= 1


def test_archive_is_described_to_another_program(tmp_path):
    found = exiftool(archive(tmp_path / "a.tif"))
    assert found["ExifIFD:FileSource"] == 1
    assert found["ExifIFD:LensModel"] == "80 mm"
    assert found["ExifIFD:CreateDate"] == "2024:09:01 12:00:00"
    assert found["ExifIFD:ColorSpace"] == 65535
    assert found["IFD0:ImageDescription"] == "Été à la mer"
    assert found["IFD0:Model"] == "box"
    assert found["XMP-dc:Title"] == "summer 07"
    assert found["XMP-evenroll:Roll"] == "summer"
    assert found["ICC_Profile:ProfileDescription"] == "ROMM RGB"
    assert not [key for key in found if key.startswith("IFD1") or "Warning" in key]


def test_archive_is_described_to_the_metadata_library(tmp_path):
    # exiv2 reads what was put together without it.
    image = exiv2.ImageFactory.open(str(archive(tmp_path / "a.tif")))
    image.readMetadata()
    assert image.exifData()["Exif.Photo.LensModel"].toString() == "80 mm"
    assert image.xmpData()["Xmp.dc.title"].toString() == 'lang="x-default" summer 07'
    assert len(image.iccProfile()) == len(icc_profile(ROMM))


@pytest.mark.parametrize(("file_format", "suffix"), [("jpeg", "jpg"), ("png", "png")])
def test_share_is_described_to_other_programs(tmp_path, file_format, suffix):
    path = share(tmp_path / f"a.{suffix}", file_format=file_format)
    found = exiftool(path)
    assert found["ExifIFD:FileSource"] == 1
    assert found["ExifIFD:ColorSpace"] == 1
    assert found["IFD0:Model"] == "box"
    assert found["XMP-dc:Description"] == "Été à la mer"
    assert found["ICC_Profile:ProfileDescription"] == "sRGB"
    assert not [key for key in found if "Warning" in key]
    with Image.open(path) as image:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
        assert ImageCms.getProfileDescription(profile).strip() == "sRGB"
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)


def test_png_is_exact_and_jpeg_near(tmp_path):
    smooth = np.linspace(0, 255, 64 * 64 * 3).reshape(64, 64, 3).astype(np.uint8)
    assert (pixels(share(tmp_path / "a.png", smooth, file_format="png")) == smooth).all()
    near = pixels(share(tmp_path / "a.jpg", smooth, quality=95))
    assert np.abs(near.astype(int) - smooth).max() <= 6


@pytest.mark.parametrize(("quality", "sampling"), [(92, "1 1"), (90, "1 1"), (89, "2 2")])
def test_colour_is_kept_whole_at_high_quality(tmp_path, quality, sampling):
    found = exiftool(share(tmp_path / "a.jpg", quality=quality))
    assert found["File:YCbCrSubSampling"] == sampling


def test_same_input_same_bytes(tmp_path):
    for number in (1, 2):
        archive(tmp_path / f"{number}.tif")
        share(tmp_path / f"{number}.jpg")
        share(tmp_path / f"{number}.png", file_format="png")
        write.write_sidecar(tmp_path / f"{number}.xmp", TOLD)
    digests = {path.name: hashlib.sha256(path.read_bytes()).digest() for path in tmp_path.iterdir()}
    for suffix in ("tif", "jpg", "png", "xmp"):
        assert digests[f"1.{suffix}"] == digests[f"2.{suffix}"]


@settings(max_examples=25)
@given(hnp.arrays(np.uint16, st.tuples(st.integers(1, 40), st.integers(1, 40), st.just(3))))
def test_any_picture_is_read_back(tmp_path_factory, picture):
    path = archive(tmp_path_factory.mktemp("any") / "a.tif", picture)
    assert (tifffile.imread(path).reshape(picture.shape) == picture).all()


def test_sidecar_is_the_packet(tmp_path):
    write.write_sidecar(tmp_path / "a.xmp", TOLD)
    assert (tmp_path / "a.xmp").read_text(encoding="utf-8") == xmp_packet(TOLD)


@pytest.mark.parametrize(
    "picture", [CODES[..., 0], CODES[..., :2], CODES.astype(np.float64), BYTES, CODES[:0]]
)
def test_pictures_of_another_kind_are_refused(tmp_path, picture):
    with pytest.raises(ValueError, match="picture"):
        archive(tmp_path / "a.tif", picture)
    assert names(tmp_path) == []


def test_jpeg_has_a_largest_side(tmp_path):
    with pytest.raises(OutputProblem, match="65500 pixels"):
        share(tmp_path / "a.jpg", np.zeros((1, 65501, 3), np.uint8))


# Whole or not at all


def write_then(path: Path, happening: Callable[[], None]) -> None:
    with write.atomic(path) as file:
        file.write(b"half")
        happening()


def stop() -> None:
    raise RuntimeError


def test_a_failed_block_leaves_nothing_and_keeps_the_old_file(tmp_path):
    path = tmp_path / "roll.json"
    write.write_text(path, to_json(RECORD))
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
from pipeline.write import atomic
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
        cwd=Path(write.__file__).parent.parent,
    )
    assert process.stdout is not None
    assert process.stdin is not None
    assert process.stdout.readline() == b"written\n"
    # Its writer lives, so another run leaves it alone.
    assert write.sweep(tmp_path) == 0
    process.kill()
    process.wait()
    process.stdout.close()
    process.stdin.close()
    assert [name.startswith(".evenroll-a.tif.") for name in names(tmp_path)] == [True]
    assert write.sweep(tmp_path) == 1
    assert names(tmp_path) == []


def test_sweep_takes_nothing_else(tmp_path):
    for name in (".evenroll-notes", "a.part", "evenroll-a.part"):
        (tmp_path / name).write_text("mine")
    assert write.sweep(tmp_path) == 0
    assert len(names(tmp_path)) == 3
    assert write.sweep(tmp_path / "missing") == 0


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
    archive(tmp_path / "a.tif")
    assert steps == ["file", "name", "folder"]


def test_trials_of_killed_runs_are_cleared_up(tmp_path):
    stale = tmp_path / ".evenroll-trial.0123456789ab.part"
    stale.write_bytes(b"trial")
    write.check_folder(tmp_path)
    assert names(tmp_path) == []


def test_sweep_follows_no_link(tmp_path):
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (tmp_path / ".evenroll-a.0.part").symlink_to(victim)
    (tmp_path / ".evenroll-b.0.part").mkdir()
    os.mkfifo(tmp_path / ".evenroll-c.0.part")
    assert write.sweep(tmp_path) == 0
    assert len(names(tmp_path)) == 4
    assert victim.read_text() == "mine"


# Other people's files


def test_our_own_files_are_known_and_rewritten(tmp_path):
    write.write_text(tmp_path / "roll.json", to_json(RECORD))
    write.write_text(tmp_path / "a.html", '<meta name="generator" content="evenroll 0.1.0">')
    write.write_sidecar(tmp_path / "a.xmp", TOLD)
    share(tmp_path / "a.jpg")
    share(tmp_path / "a.png", file_format="png")
    archive(tmp_path / "a.tif", space=find_space("acescct"))
    for path in tmp_path.iterdir():
        assert write.is_ours(path), path.name
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
    write.check_folder(folder)
    write.check_folder(folder)
    assert names(folder) == []


def test_output_folder_that_is_a_file_is_refused(tmp_path):
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputProblem, match="out: is a file; choose another output folder"):
        write.check_folder(tmp_path / "out")
    with pytest.raises(OutputProblem, match="a file is in its way"):
        write.check_folder(tmp_path / "out" / "deeper")


def test_output_folder_that_takes_no_files_is_refused():
    # /proc takes no new files from anyone, root included.
    with pytest.raises(OutputProblem, match="/proc: can't be written"):
        write.check_folder(Path("/proc"))


def test_output_folder_on_a_full_disk_is_refused(tmp_path, monkeypatch):
    def fails(*_args: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", fails)
    with pytest.raises(OutputProblem, match="the disk is full"):
        write.check_folder(tmp_path / "out")
    assert names(tmp_path / "out") == []
