"""Where the time of a run goes: seconds and bytes by stage, beside what memory alone would take."""

import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.render.cut import ScanLines, frame_window, light_bands, picture_size
from pipeline.render.positive import FrameLight, Positive
from pipeline.render.straighten import BAND_ROWS
from pipeline.render.upright import upright
from pipeline.roll.frame_task import FrameTask, develop
from pipeline.scan import open_scan, opened, reduce
from pipeline.settings import Settings
from pipeline.small_file import content_hash
from pipeline.survey.scan import survey_scan
from pipeline.write.pictures import packed, write_archive, write_share
from tests.benchmarks.frames import frame_tasks

_ROUNDS = 5
_SURVEY_PPI = 200.0
_COPY_BYTES = 256 << 20


@dataclass(frozen=True)
class Stage:
    """A stage, what it adds in seconds a megapixel, and the bytes a pixel that it must move."""

    name: str
    seconds: float
    bytes: float


def least_seconds(work: Callable[[], object]) -> float:
    """Return the least processor time of this thread over some runs."""
    work()
    times = []
    for _ in range(_ROUNDS):
        start = time.thread_time()
        work()
        times.append(time.thread_time() - start)
    return min(times)


def copy_rate() -> float:
    """Return the bytes a second that memory reads and writes, together, in a plain copy."""
    source = np.ones(_COPY_BYTES, np.uint8)
    target = np.empty_like(source)
    return 2 * _COPY_BYTES / least_seconds(lambda: np.copyto(target, source))


def frame_stages(task: FrameTask, folder: Path) -> list[Stage]:
    """Return the stages of one frame; each is timed with those before it, which are taken off.

    Bytes are what arrays of the stage take in and give out, each counted once.
    """
    rows, columns = picture_size(task.outline)
    pixels = rows * columns
    sample = task.scan.bits // 8 * task.scan.samples
    light = FrameLight(task.scan, task.outline, task.base, task.ppi)
    space, kind = task.rendition.archive_form()

    def read() -> None:
        way = upright(
            task.outline, (0.0, 0.0), (rows, columns), (task.scan.height, task.scan.width), False
        )
        (top, end), wide = way.window(*frame_window(task.scan, task.outline))
        with opened(task.scan) as reader:
            lines = ScanLines(task.scan, reader, way, ((top, end), wide))
            for row in range(top, end, BAND_ROWS):
                lines.planes((row, min(row + BAND_ROWS, end)), wide)

    def straight() -> None:
        for _ in light_bands(task.scan, task.outline):
            pass

    def shown(shared: bool) -> Positive:
        frame = Positive(light, task.colour, task.rendition, shared)
        for _ in frame.archive_bands():
            pass
        return frame

    whole = Positive(light, task.colour, task.rendition, False)
    bands = [band.copy() for band in whole.archive_bands()]
    share = shown(True).share_picture()
    scratch = np.empty_like(bands[0])
    archive, small = folder / "a.tif", folder / "a.jpg"
    given = {"ppi": task.ppi, "metadata": task.metadata}

    def pack() -> int:
        return sum(len(packed(band, "deflate", scratch)) for band in bands)

    def write() -> None:
        write_archive(archive, iter(bands), (rows, columns), kind, space=space, **given)

    times = [least_seconds(work) for work in (read, straight, lambda: shown(False))]
    times.append(least_seconds(lambda: shown(True)))
    reading, straightening, colour, sharing = np.diff([0.0, *times]).tolist()
    packing, writing = least_seconds(pack), least_seconds(write)
    jpeg = least_seconds(lambda: write_share(small, share, **given))
    hashing = least_seconds(lambda: (content_hash(archive), content_hash(small)))
    whole_frame = least_seconds(lambda: develop(replace(task, out=folder)))
    part, stored = len(share) * share.shape[1] / pixels, pack() / pixels
    parts = [
        Stage("read as planes", reading, 2 * sample + 12),
        Stage("straighten, two passes", straightening, 4 * 12),
        Stage("colour to codes", colour, 12 + 6),
        Stage("share picture", sharing, part * (12 + 3)),
        Stage("differences, pack", packing, 3 * 6 + stored),
        Stage("write archive", writing - packing, 2 * stored),
        Stage("pack and write share", jpeg, part * 4),
        Stage("hash", hashing, stored),
    ]
    rest = whole_frame - sum(stage.seconds for stage in parts)
    return [
        replace(stage, seconds=stage.seconds / pixels * 1e6)
        for stage in (*parts, Stage("sidecar, the rest", rest, 0.0))
    ]


def frame_and_survey_stages(scans: Path) -> None:
    """Print the stages of a folder's third frame and first strip."""
    task = frame_tasks(scans)[2]
    rate = copy_rate()
    print(f"  memory copies {rate / 1e9:.1f} GB/s, in and out counted")
    print(f"  {'ms a Mpx of a frame':28} {'measured':>9} {'memory':>7} {'MB a Mpx':>9}")
    with tempfile.TemporaryDirectory(dir=scans.parent) as folder:
        told = frame_stages(task, Path(folder))
    for stage in told:
        bound = stage.bytes * 1e6 / rate * 1e3
        print(f"  {stage.name:28} {stage.seconds * 1e3:9.2f} {bound:7.2f} {stage.bytes:9.1f}")
    print(f"  {'together':28} {sum(stage.seconds for stage in told) * 1e3:9.2f}")
    _survey(task.scan.path)


def _survey(path: Path) -> None:
    """Print what the survey of a strip takes, and what of it is reading and reducing."""
    (scan,) = open_scan(path)
    factor = max(1, round((scan.ppi or _SURVEY_PPI) / _SURVEY_PPI))
    reading = least_seconds(lambda: reduce(scan, factor))
    start = time.process_time()
    survey_scan(path, Settings())
    whole, pixels = time.process_time() - start, scan.width * scan.height / 1e6
    print(f"  survey of a strip {whole:.2f} s: read and reduced {reading:.2f} s, {pixels:.0f} Mpx")
