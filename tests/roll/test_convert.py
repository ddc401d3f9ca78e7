import json
import re
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from pipeline.event import Event
from pipeline.problem import ScanProblem
from pipeline.roll.convert import write_roll
from pipeline.roll.frame_task import develop
from pipeline.roll.survey import survey_roll
from pipeline.settings.settings import Roll, RollNotes, Settings, safe_name
from pipeline.survey.pictures import PictureStore, StoredPicture
from tests.conftest import Run, contents, states
from tests.film_model import FrameSpec, StripSpec, make_scan, write_scan
from tests.film_model import Roll as ModelRoll
from tests.roll_schema import broken


def test_a_rerun_rewrites_nothing(model_roll: Path, tmp_path: Path, run: Run):
    out = tmp_path / "out"
    scans_before = states(model_roll)
    assert run("convert", model_roll, "-o", out).code == 0
    before = states(out)
    ran = run("convert", model_roll, "-o", out, "--json")
    assert ran.code == 0
    assert json.loads(ran.out)[0]["kept"] == 6
    assert states(out) == before
    assert states(model_roll) == scans_before

    (out / "harbour_12.jpg").unlink()
    (out / "index.html").unlink()
    assert json.loads(run("convert", model_roll, "-o", out, "--json").out)[0]["written"] == 1
    after = states(out)
    assert after["harbour_11.tif"] == before["harbour_11.tif"]
    assert set(after) == set(before)

    assert run("convert", model_roll, "-o", out, "--exposure", "0.5").code == 0
    brighter = states(out)
    pictures = [name for name in before if name.endswith((".tif", ".jpg"))]
    assert all(brighter[name][:2] != after[name][:2] for name in pictures)


def test_parallel_is_serial_byte_for_byte(model_roll: Path, tmp_path: Path, run, converted: Path):
    assert run("convert", model_roll, "-o", tmp_path / "out", "--workers", "3").code == 0
    assert contents(tmp_path / "out") == contents(converted)


def test_a_long_roll_keeps_small_pictures_and_samples_on_the_disk(
    model_roll: Path, tmp_path: Path, run, converted: Path, monkeypatch
):
    kept: list[object] = []

    class Full(PictureStore):
        """A store that holds nothing in memory."""

        def __init__(self) -> None:
            super().__init__(0)

        def put_away(self, array):
            kept.append(super().put_away(array))
            return kept[-1]

    monkeypatch.setattr("pipeline.roll.survey.PictureStore", Full)
    assert run("convert", model_roll, "-o", tmp_path / "out").code == 0
    assert contents(tmp_path / "out") == contents(converted)
    stored = [one.shape for one in kept if isinstance(one, StoredPicture)]
    assert len(stored) == len(kept)
    assert sum(len(shape) == 3 for shape in stored) == sum(len(shape) == 2 for shape in stored) > 0


def test_files_that_the_record_names_are_there(converted: Path):
    record = json.loads((converted / "roll.json").read_text("utf-8"))
    assert broken(record) == []
    frames = [frame for strip in record["strips"] for frame in strip["frames"]]
    assert [frame["number"] for frame in frames] == [str(number) for number in range(11, 18)]
    assert {frame["number"]: frame["kind"] for frame in frames}["16"] == "blank"
    named = {name for frame in frames for name in frame["files"].values() if name}
    others = {"roll.json", "contact-sheet.jpg", "index.html"}
    assert set(contents(converted)) == named | others
    assert len(named) == 18


def test_words_of_the_roll_file_are_obeyed_and_options_win(scans: Path, tmp_path, run: Run):
    (scans / "roll.toml").write_text(
        "id = 'Quay 7'\nfilm = 'film-a'\niso = 200\nshare = 'png'\nshare_size = 100\n"
        "archive = 'none'\nwrite_blanks = true\nshelf = 'B'\n",
        encoding="utf-8",
    )
    out = tmp_path / "out"
    assert run("convert", scans, "-o", out, "--share-size", "64").code == 0
    record = json.loads((out / "roll.json").read_text("utf-8"))
    told = {key: record["roll"][key] for key in ("film", "iso", "shelf")}
    assert told == {"film": "film-a", "iso": 200, "shelf": "B"}
    assert sorted(path.name for path in out.glob("*.png")) == [
        f"Quay-7_{number}.png" for number in range(11, 18)
    ]
    assert not list(out.glob("*.tif"))
    with Image.open(out / "Quay-7_11.png") as picture:
        assert max(picture.size) == 64


@pytest.fixture(scope="module")
def level_scan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a scan of one strip that lies quite straight."""
    roll = ModelRoll("film-a", [FrameSpec("chart"), FrameSpec("coffee")], seed=2)
    strip = StripSpec(roll, count=2, angle_deg=0.0)
    scan = make_scan([strip], scanner="scanner-a", ppi=160, seed=2)
    return write_scan(tmp_path_factory.mktemp("level"), "level", scan)


def test_split_keeps_the_codes_of_the_scan(level_scan: Path, tmp_path: Path, run: Run):
    out = tmp_path / "out"
    assert run("split", level_scan, "-o", out, "--roll", "s").code == 0
    codes = tifffile.imread(level_scan).astype(np.float32)
    record = json.loads((out / "roll.json").read_text("utf-8"))
    assert broken(record) == []
    assert record["look"] == "negative"
    frames = [frame for strip in record["strips"] for frame in strip["frames"]]
    assert len(frames) == 2
    for frame in frames:
        assert frame["files"]["share"] is None
        picture = tifffile.imread(out / frame["files"]["archive"]).astype(np.float32)
        rows, columns = picture.shape[:2]
        corners = np.array(frame["outline"])
        across = (corners[1] - corners[0]) / columns
        down = (corners[3] - corners[0]) / rows
        # Outline corners are the edges of the picture: its first pixel lies half a pixel inside.
        start = corners[0] + (across + down) / 2
        matrix = np.column_stack([across, down, start])
        # OpenCV's own bicubic resampling of the scan is the reference.
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        expected = cv2.warpAffine(codes, matrix, (columns, rows), flags=flags)
        off = np.abs(picture - expected)[2:-2, 2:-2]
        assert np.median(off / np.maximum(expected[2:-2, 2:-2], 1)) < 0.01
        spread = np.corrcoef(picture.ravel(), expected.ravel())[0, 1]
        assert spread > 0.995


def test_eight_bit_scans_are_converted_with_a_word(tmp_path: Path, run: Run):
    roll = ModelRoll("film-a", [FrameSpec("chart"), FrameSpec("coffee")], seed=3)
    scan = make_scan([StripSpec(roll, count=2)], scanner="scanner-d", ppi=160, seed=3)
    path = write_scan(tmp_path, "eight", scan)
    ran = run("convert", path, "-o", tmp_path / "out", "--roll", "e")
    assert ran.code == 0
    assert "eight.tif: 8 bits a channel" in ran.err
    assert len(list((tmp_path / "out").glob("e_*.tif"))) == 2
    assert run("split", path, "-o", tmp_path / "cut", "--roll", "e").code == 0
    negative = tifffile.imread(sorted((tmp_path / "cut").glob("*.tif"))[0])
    # Eight bits fill sixteen by repeating them: common practice, no source.
    assert negative.dtype == np.uint16
    assert np.array_equal(negative % 257, np.zeros_like(negative))


def test_events_count_up_to_their_total(model_roll: Path, tmp_path: Path):
    events: list[Event] = []
    scans = tuple(sorted(model_roll.glob("*.tif")))
    roll = Roll("r", scans, RollNotes(), Settings(archive="none"))
    with ThreadPoolExecutor(2) as executor:
        surveyed = survey_roll(roll, executor, events.append)
        outcome = write_roll(surveyed, tmp_path / "out", executor, events.append)
    assert (outcome.written, outcome.kept, outcome.failed) == (6, 0, 0)
    for kind, total in (("surveyed", 2), ("written", 6)):
        counts = [(event.done, event.total) for event in events if event.kind == kind]
        assert counts == [(count, total) for count in range(1, total + 1)]


class Failing(ThreadPoolExecutor):
    """An executor whose every task fails, as one on a lost machine does."""

    def submit(self, *words, **named) -> Future:
        future: Future = Future()
        future.set_exception(MemoryError())
        return future


def test_a_roll_of_which_nothing_is_left_is_a_scan_problem(model_roll: Path, tmp_path: Path):
    roll = Roll("r", (model_roll / "strip-1.tif",), RollNotes(), Settings())
    with Failing(1) as executor:
        surveyed = survey_roll(roll, executor, lambda event: None)
        assert surveyed.problems[0].message.startswith("strip-1.tif: does not fit in memory")
        with pytest.raises(ScanProblem, match="nothing could be done for roll r"):
            write_roll(surveyed, tmp_path / "out", executor, lambda event: None)


@given(st.text())
def test_a_safe_name_is_one_part_of_a_path(text: str):
    name = safe_name(text)
    assert 0 < len(name) <= 80
    assert Path(name).name == name
    assert not name.startswith((".", "-"))
    assert safe_name(name) == name


class Halting(ThreadPoolExecutor):
    """An executor of two threads with one frame done and one under way at an interruption."""

    def __init__(self) -> None:
        super().__init__(2)
        self.frames = 0
        self.interrupted = threading.Event()

    def submit(self, work, /, *words, **named) -> Future:
        self.frames += work is develop
        if work is not develop or self.frames == 1:
            return super().submit(work, *words, **named)
        return super().submit(self._later, *words) if self.frames == 2 else Future()

    def _later(self, *words) -> dict[str, str]:
        self.interrupted.wait(60)
        return develop(*words)


def test_frames_under_way_at_an_interruption_count_as_done(model_roll: Path, tmp_path: Path):
    scans = tuple(sorted(model_roll.glob("*.tif")))
    roll = Roll("r", scans, RollNotes(), Settings(archive="none"))
    kept: list[str] = []

    def listen(event: Event) -> None:
        kept.extend([event.name] if event.kind == "kept" else [])

    with ThreadPoolExecutor(2) as executor, Halting() as halting:

        def interrupted(event: Event) -> None:
            if event.kind == "written":
                halting.interrupted.set()
                raise KeyboardInterrupt

        surveyed = survey_roll(roll, executor, lambda event: None)
        with pytest.raises(KeyboardInterrupt):
            write_roll(surveyed, tmp_path / "out", halting, interrupted)
        there = sorted(path.stem for path in (tmp_path / "out").glob("*.jpg"))
        assert len(there) == 2
        assert not list((tmp_path / "out").glob(".evenroll-*"))
        write_roll(surveyed, tmp_path / "out", executor, listen)
    assert sorted(kept) == there


def test_another_kind_of_result_does_not_take_the_place_of_one(
    model_roll: Path, tmp_path: Path, run: Run
):
    out, scan = tmp_path / "out", model_roll / "strip-1.tif"
    fast = ("--archive", "none", "--share-size", "64")
    assert run("convert", scan, "-o", out, *fast).code == 0
    before = contents(out)
    for words in (("split", scan), ("convert", scan, *fast, "--look", "log")):
        ran = run(*words, "-o", out)
        assert ran.code == 3
        assert re.search(r"out: holds positives of look print, .* another output folder", ran.err)
        assert contents(out) == before
    assert run("split", scan, "-o", out, "--replace").code == 0
    assert run("convert", scan, "-o", out, *fast).code == 3
