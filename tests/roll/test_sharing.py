"""Compressed scans decoded once for all frames, with the files that they have otherwise."""

import logging
import os
import shutil
import threading
from collections import Counter
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import distributed
import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.problem import ScanProblem
from pipeline.roll import convert as roll
from pipeline.roll import sharing as scan_sharing
from pipeline.roll.convert import write_roll
from pipeline.roll.frame_task import FrameTask
from pipeline.roll.machines import ClusterExecutor, cluster_executor
from pipeline.roll.sharing import SharedScans, shared_scans
from pipeline.roll.survey import survey_roll
from pipeline.scan import unpacked
from pipeline.scan.scan import open_scan
from pipeline.scan.unpacked import UnpackedScan
from pipeline.settings.settings import Roll, RollNotes, Settings
from tests.conftest import Run, contents
from tests.render.whole_pictures import read_codes

STORED = {
    "deflate": {"compression": "zlib", "predictor": True, "rowsperstrip": 16},
    "one strip": {"compression": "zlib", "rowsperstrip": 9999},
    "tiles": {"compression": "lzw", "tile": (512, 512)},
}


def packed(model_roll: Path, folder: Path, **options: object) -> Path:
    """Write the model roll's scans compressed, as PNG if nothing is said."""
    folder.mkdir()
    for path in sorted(model_roll.glob("*.tif")):
        with tifffile.TiffFile(path) as file:
            page = file.pages[0]
            codes, ppi = page.asarray(), page.resolution
            profile = page.tags.valueof(34675)
        if options:
            tifffile.imwrite(
                folder / path.name, codes, photometric="rgb", resolution=ppi,
                resolutionunit=2, iccprofile=profile, **options,
            )  # fmt: skip
        else:
            (folder / path.with_suffix(".png").name).write_bytes(imagecodecs.png_encode(codes))
    for path in model_roll.glob("*.toml"):
        shutil.copy(path, folder)
    return folder


def roll_of(folder: Path) -> Roll:
    return Roll("harbour", tuple(sorted(folder.glob("*.tif"))), RollNotes(), Settings())


@pytest.fixture
def tasks(model_roll: Path, tmp_path: Path, monkeypatch) -> list[FrameTask]:
    """Return the tasks of the model roll with its scans deflated."""
    folder = packed(model_roll, tmp_path / "packed", **STORED["deflate"])
    found: list[FrameTask] = []
    monkeypatch.setattr(roll, "_run", lambda todo, *_: found.extend(one.task for one in todo))
    with ThreadPoolExecutor(1) as pool:
        surveyed = survey_roll(roll_of(folder), pool, print)
        write_roll(surveyed, tmp_path / "out", pool, lambda event: None)
    monkeypatch.undo()
    return found


@pytest.mark.parametrize("name", [*STORED, "png"])
def test_files_are_those_of_frames_that_decode_by_themselves(
    model_roll: Path, tmp_path: Path, run: Run, monkeypatch, name: str
):
    folder = packed(model_roll, tmp_path / "harbour", **STORED.get(name, {}))
    options = ["--ppi", 160] if name == "png" else []
    made: list[UnpackedScan] = []
    # On tiles the two frames of the second scan have nothing in common.
    count = 1 if name == "tiles" else 2
    begin = UnpackedScan._begin
    monkeypatch.setattr(UnpackedScan, "_begin", lambda self: made.append(self) or begin(self))
    ran = run("convert", folder, "-o", tmp_path / "one", "--workers", 3, *options)
    assert ran.code == 0, ran.err
    assert len(made) == count
    assert all(one._file.closed for one in made)
    monkeypatch.setattr(scan_sharing, "_block", lambda tasks: None)
    assert run("convert", folder, "-o", tmp_path / "two", "--workers", 3, *options).code == 0
    assert len(made) == count
    assert contents(tmp_path / "one") == contents(tmp_path / "two")


@pytest.fixture
def decoded(monkeypatch) -> Counter[tuple[str, int]]:
    """Return how often each strip of a TIFF is decoded from now on."""
    seen: Counter[tuple[str, int]] = Counter()
    decode = tifffile.TiffPage.decode.func

    def counting(page):
        function = decode(page)

        def one(data, index, **options):
            seen[page.parent.filehandle.name, index] += 1
            return function(data, index, **options)

        return one

    monkeypatch.setattr(tifffile.TiffPage, "decode", property(counting))
    return seen


def test_a_roll_decodes_every_strip_once(model_roll: Path, tmp_path: Path, decoded):
    folder = packed(model_roll, tmp_path / "packed", **STORED["deflate"])
    with ThreadPoolExecutor(4) as pool:
        surveyed = survey_roll(roll_of(folder), pool, print)
        decoded.clear()
        outcome = write_roll(surveyed, tmp_path / "out", pool, lambda event: None)
    assert outcome.failed == 0
    assert set(decoded.values()) == {1}
    with tifffile.TiffFile(next(folder.glob("*.tif"))) as file:
        assert len(decoded) == 2 * len(file.pages[0].dataoffsets)


def test_a_worker_of_a_cluster_decodes_every_strip_once_too(
    model_roll: Path, tmp_path: Path, decoded, run: Run, monkeypatch
):
    folder = packed(model_roll, tmp_path / "packed", **STORED["deflate"])
    options = {"n_workers": 1, "threads_per_worker": 2, "processes": False, "protocol": "tcp://"}
    with (
        distributed.LocalCluster(
            **options, dashboard_address=":0", silence_logs=logging.CRITICAL
        ) as cluster,
        cluster_executor(cluster.scheduler_address, []) as executor,
    ):
        surveyed = survey_roll(roll_of(folder), executor, print)
        decoded.clear()
        outcome = write_roll(surveyed, tmp_path / "out", executor, lambda event: None)
    assert (outcome.written, outcome.failed) == (6, 0)
    assert set(decoded.values()) == {1}
    with tifffile.TiffFile(next(folder.glob("*.tif"))) as file:
        assert len(decoded) == 2 * len(file.pages[0].dataoffsets)
    assert run("convert", folder, "-o", tmp_path / "local", "--roll", "harbour").code == 0
    pictures = {
        n: b for n, b in contents(tmp_path / "local").items() if n.endswith((".tif", "jpg"))
    }
    assert pictures.items() <= contents(tmp_path / "out").items()


class ByHand(ClusterExecutor):
    """Stands in for a cluster of so many hands; work is done when the test says so."""

    def __init__(self, hands: int) -> None:
        self.count, self.work = hands, []

    @property
    def hands(self) -> int:
        return self.count

    def submit(self, fn, /, *args, **kwargs):
        self.work.append((Future(), fn, args))
        return self.work[-1][0]

    def do(self) -> None:
        for future, fn, args in self.work:
            future.set_result(fn(*args))


def named(task: FrameTask) -> dict[str, str]:
    if task.metadata.title.endswith("12"):
        raise ScanProblem(task.scan.path, "is damaged", "scan it again")
    return {"title": task.metadata.title}


@pytest.mark.parametrize(("hands", "together"), [(1, [4, 2]), (4, [2, 2, 1, 1]), (99, [1] * 6)])
def test_frames_of_a_scan_go_together_as_far_as_all_hands_have_work(
    tasks: list[FrameTask], hands: int, together: list[int]
):
    cluster = ByHand(hands)
    shared = shared_scans(tasks, cluster)
    futures = [shared.submit(named, task) for task in tasks]
    assert [len(args[1]) for _, _, args in cluster.work] == together
    cluster.do()
    # One that fails takes no other with it.
    for task, future in zip(tasks, futures, strict=True):
        if task.metadata.title.endswith("12"):
            with pytest.raises(ScanProblem):
                future.result(0)
        else:
            assert future.result(0) == {"title": task.metadata.title}


def test_frames_that_nobody_waits_for_are_dropped_together(tasks: list[FrameTask]):
    cluster = ByHand(1)
    shared = shared_scans(tasks, cluster)
    futures = [shared.submit(named, task) for task in tasks]
    for future in futures:
        future.cancel()
    assert all(future.cancelled() for future, _, _ in cluster.work)


def test_a_roll_opens_every_scan_to_describe_reduce_and_decode_it(
    model_roll: Path, tmp_path: Path, monkeypatch
):
    folder = packed(model_roll, tmp_path / "packed", **STORED["deflate"])
    seen: Counter[str] = Counter()
    begin = tifffile.TiffFile.__init__

    def counting(self, file, *args, **options):
        seen[Path(file.name).name] += 1
        begin(self, file, *args, **options)

    monkeypatch.setattr(tifffile.TiffFile, "__init__", counting)
    with ThreadPoolExecutor(1) as pool:
        surveyed = survey_roll(roll_of(folder), pool, print)
        write_roll(surveyed, tmp_path / "out", pool, lambda event: None)
    assert seen == {"strip-1.tif": 3, "strip-2.tif": 3}


def test_scans_lie_open_until_their_last_frame(tasks: list[FrameTask], tmp_path: Path):
    with ThreadPoolExecutor(1) as pool, closing(SharedScans(tasks, pool)) as shared:
        first = tasks[0].scan.path
        own = [task for task in tasks if task.scan.path == first]
        got = [shared.submit(lambda task: task, task).result() for task in own]
        source = got[0].scan.unpacked
        assert {id(task.scan.unpacked) for task in got} == {id(source)}
        # The scan with its source is still the scan.
        assert [task.scan for task in got] == [task.scan for task in own]
        assert source._is_unpacked()
        for task in own[:-1]:
            shared.done(task)
        assert not source._file.closed
        shared.done(own[-1])
        assert source._file.closed


def test_what_is_still_open_at_the_end_is_closed(tasks: list[FrameTask]):
    sources = []

    def interrupted() -> None:
        with ThreadPoolExecutor(1) as pool, closing(SharedScans(tasks, pool)) as shared:
            sources.append(shared.submit(lambda task: task, tasks[0]).result().scan.unpacked)
            assert sources[0]._is_unpacked()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert sources[0]._file.closed


def sharing(tasks: list[FrameTask]) -> list[bool]:
    """Tell of each scan of the tasks whether it is shared."""
    with ThreadPoolExecutor(1) as pool:
        shared = SharedScans(tasks, pool)
        return [key in shared._open for key in {scan_sharing._key(task): None for task in tasks}]


def pixel(task: FrameTask) -> np.ndarray:
    return read_codes(task.scan, (0, 1), (0, 1))


def stored_anew(task: FrameTask, path: Path, codes: np.ndarray, **options: object) -> FrameTask:
    tifffile.imwrite(path, codes, photometric="rgb", **options)
    return replace(task, scan=open_scan(path)[0])


def test_only_what_frames_share_is_shared(tasks: list[FrameTask], tmp_path: Path, monkeypatch):
    assert sharing(tasks) == [True, True]
    # One frame to do of a scan draws on strips that nobody else needs.
    assert sharing([tasks[0]]) == [False]
    task, size = tasks[0], (tasks[0].scan.height, tasks[0].scan.width, 3)
    plain = stored_anew(task, tmp_path / "plain.tif", np.zeros(size, np.uint16))
    assert sharing([plain, plain]) == [False]
    monkeypatch.setattr(scan_sharing, "_LARGE_BYTES", 1000)
    assert sharing([tasks[0]]) == [True]


def test_frames_on_strips_of_their_own_share_nothing(tasks: list[FrameTask], tmp_path: Path):
    codes = np.zeros((1200, 600, 3), np.uint16)
    made = stored_anew(tasks[0], tmp_path / "strip.tif", codes, compression="zlib", rowsperstrip=16)
    frames = [
        replace(made, outline=((50.0, y), (550.0, y), (550.0, y + 330), (50.0, y + 330)))
        for y in (40.0, 420.0, 800.0)
    ]
    assert sharing(frames) == [False]
    # Along the rows all of them need all strips.
    lying = [
        replace(made, outline=((x, 40.0), (x + 150, 40.0), (x + 150, 1100.0), (x, 1100.0)))
        for x in (20.0, 210.0, 400.0)
    ]
    assert sharing(lying) == [True]


def test_formats_without_strips_are_always_shared(tasks: list[FrameTask], tmp_path: Path):
    size = (tasks[0].scan.width, tasks[0].scan.height)
    Image.new("RGB", size).save(tmp_path / "strip.jpg")
    one = replace(tasks[0], scan=open_scan(tmp_path / "strip.jpg")[0])
    assert sharing([one]) == [True]


def test_a_scan_that_can_not_be_read_is_left_to_its_frames(tasks: list[FrameTask]):
    tasks[0].scan.path.unlink()
    with ThreadPoolExecutor(1) as pool, closing(SharedScans(tasks, pool)) as shared:
        gone, there = (shared.submit(pixel, tasks[at]) for at in (0, -1))
        with pytest.raises(ScanProblem, match="no such file"):
            gone.result()
        assert there.result().shape == (1, 1, 3)


def test_scans_in_one_piece_are_decoded_one_ahead(tasks: list[FrameTask], tmp_path: Path):
    """With two workers, one decodes the second scan while the other does frames of the first."""
    whole = packed(tmp_path / "packed", tmp_path / "whole", **STORED["one strip"])
    anew = [replace(task, scan=open_scan(whole / task.scan.path.name)[0]) for task in tasks]
    order: list[str] = []
    lock = threading.Lock()

    class Noting(ThreadPoolExecutor):
        def submit(self, work, given):
            source = given if isinstance(given, UnpackedScan) else given.scan.unpacked
            with lock:
                order.append(f"{work.__name__} {source.scan.path.stem}")
            return super().submit(work, given)

    def frame(task):
        return task.scan.unpacked._is_unpacked()

    with Noting(2) as pool, closing(SharedScans(anew, pool)) as shared:
        futures = [shared.submit(frame, task) for task in anew]
        assert all(future.result() for future in futures)
    first, second = dict.fromkeys(task.scan.path.stem for task in anew)
    assert order[:3] == [f"decode {first}", f"decode {second}", f"frame {first}"]
    assert Counter(order)[f"decode {second}"] == 1
    assert unpacked.decode.__name__ == "decode"


def test_a_scan_damaged_after_the_survey_fails_alone(model_roll: Path, tmp_path: Path, monkeypatch):
    folder = packed(model_roll, tmp_path / "packed", **STORED["deflate"])
    paths = tuple(sorted(folder.glob("*.tif")))
    with ThreadPoolExecutor(2) as pool:
        surveyed = survey_roll(roll_of(folder), pool, print)
        with tifffile.TiffFile(paths[0]) as file:
            page = file.pages[0]
            middle = len(page.dataoffsets) // 2
            start, size = page.dataoffsets[middle], page.databytecounts[middle]
        before = paths[0].stat()
        with paths[0].open("rb+") as handle:
            handle.seek(start)
            handle.write(bytes(size))
        # As a disk does that fails.
        os.utime(paths[0], ns=(before.st_atime_ns, before.st_mtime_ns))
        events = []
        outcome = write_roll(surveyed, tmp_path / "out", pool, events.append)
    failed = [event.message for event in events if event.kind == "failed"]
    assert outcome.written > 0
    assert outcome.failed == len(failed) > 0
    assert all(f"{paths[0].name}: is damaged" in message for message in failed)
