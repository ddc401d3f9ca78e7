"""Which compressed scans are decoded once for all their frames, and until when."""

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from pipeline.container import Span
from pipeline.frame_task import FrameTask
from pipeline.problem import ScanProblem
from pipeline.render import frame_window, picture_size
from pipeline.resample import upright
from pipeline.scan import Scan, block_size
from pipeline.scan_lines import slab_rows
from pipeline.unpacked import UnpackedScan

# Writing and reading a scratch file take a tenth of the time that decoding takes.
_WORTH = 1.25
# A frame that draws on a larger piece of a scan would hold more than its share of memory.
_LARGE_BYTES = 32 << 20
_Key = tuple[str, int]


class SharedScans:
    """Scans that several frames draw on, each open until its last frame is done."""

    def __init__(self, tasks: Sequence[FrameTask]) -> None:
        self._frames = Counter(_key(task) for task in tasks)
        self._open: dict[_Key, UnpackedScan] = {}
        for key in self._frames:
            own = [task for task in tasks if _key(task) == key]
            block = _block(own)
            if block is not None:
                self._open[key] = UnpackedScan(own[0].scan, block, own[0].out)

    def task(self, task: FrameTask) -> FrameTask:
        """Return a task whose scan is decoded once for all of them, if that is worth while."""
        unpacked = self._open.get(_key(task))
        return (
            task if unpacked is None else replace(task, scan=replace(task.scan, unpacked=unpacked))
        )

    def done(self, task: FrameTask) -> None:
        """Close a task's scan if it was the last one that draws on it."""
        key = _key(task)
        self._frames[key] -= 1
        if not self._frames[key] and key in self._open:
            self._open.pop(key).close()

    def close(self) -> None:
        """Close all scans that are still open."""
        while self._open:
            self._open.popitem()[1].close()


@contextmanager
def shared_scans(tasks: Sequence[FrameTask]) -> Iterator[SharedScans]:
    """Share the scans of tasks; by the end of it no task may be under way."""
    shared = SharedScans(tasks)
    try:
        yield shared
    finally:
        shared.close()


def _key(task: FrameTask) -> _Key:
    return str(task.scan.path), task.scan.page


def _block(tasks: Sequence[FrameTask]) -> Span | None:
    """Return rows and columns of a scan that are decoded together, if its frames share them."""
    scan = tasks[0].scan
    try:
        block = block_size(scan)
    except ScanProblem:  # Its frames will say so.
        return None
    if block is None or scan.stored.container != "tiff":
        return block
    rows, columns = min(block[0], scan.height), min(block[1], scan.width)
    if rows * columns * scan.samples * max(1, scan.stored.bits // 8) >= _LARGE_BYTES:
        return block
    decoded = np.zeros((-(-scan.height // rows), -(-scan.width // columns)), np.int64)
    for task in tasks:
        (top, bottom), (left, right) = frame_window(scan, task.outline)
        place = slice(top // rows, -(-bottom // rows)), slice(left // columns, -(-right // columns))
        decoded[place] += _passes(task, scan)
    return block if decoded.sum() > _WORTH * np.count_nonzero(decoded) else None


def _passes(task: FrameTask, scan: Scan) -> int:
    """Return how often a frame goes over its part of a scan."""
    way = upright(task.outline, (0.0, 0.0), picture_size(task.outline), (scan.height, scan.width))
    rows, columns = way.window(*frame_window(scan, task.outline))
    slabs = -(-(rows[1] - rows[0]) // slab_rows(scan, way, columns[1] - columns[0]))
    talk = task.cross_talk
    looks_for_dust = task.settings.dust == "on" and talk is not None and talk.verdict == "dust"
    return (slabs if way.across else 1) + looks_for_dust
