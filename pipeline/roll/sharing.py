"""Which compressed scans are decoded once for all their frames, and until when.

Threads share a scan of which frames come in any order. To a worker of a cluster, which shares
nothing, the frames of such a scan go together.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, Executor, Future
from contextlib import closing
from dataclasses import replace

import numpy as np

from pipeline.kinds import Span
from pipeline.render import frame_window, picture_size, slab_rows, upright
from pipeline.roll.frame_task import FrameTask
from pipeline.roll.machines import ClusterExecutor, scratch_folder
from pipeline.scan import Scan, UnpackedScan, decode

# Writing and reading a scratch file take a tenth of the time that decoding takes.
_WORTH = 1.25
# A frame that draws on a larger piece of a scan would hold more than its share of memory.
_LARGE_BYTES = 32 << 20
Work = Callable[[FrameTask], dict[str, str]]
_Key = tuple[str, int]


class SharedScans:
    """Scans that several frames draw on, each open until its last frame is done.

    By the end of it no task may be under way.
    """

    def __init__(self, tasks: Sequence[FrameTask], executor: Executor) -> None:
        self._executor = executor
        self._frames = Counter(_key(task) for task in tasks)
        self._open: dict[_Key, UnpackedScan] = {}
        for key in self._frames:
            own = [task for task in tasks if _key(task) == key]
            block = _block(own)
            if block is not None:
                self._open[key] = UnpackedScan(own[0].scan, block, own[0].out)
        self._ahead = [key for key, one in self._open.items() if one.is_one_block]
        self._decodes: list[Future[None]] = []

    def submit(self, work: Work, task: FrameTask) -> Future[dict[str, str]]:
        """Submit work on a frame; before a scan's first its own and the next scan are decoded.

        So one worker decodes a scan that has to be decoded in one go, while others do frames.
        """
        key = _key(task)
        unpacked = self._open.get(key)
        if unpacked is None:
            return self._executor.submit(work, task)
        if key in self._ahead:
            until = self._ahead.index(key) + 2
            for early in self._ahead[:until]:
                self._decodes.append(self._executor.submit(decode, self._open[early]))
            del self._ahead[:until]
        return self._executor.submit(
            work, replace(task, scan=replace(task.scan, unpacked=unpacked))
        )

    def done(self, task: FrameTask) -> None:
        """Close a task's scan if it was the last one that draws on it."""
        key = _key(task)
        self._frames[key] -= 1
        if not self._frames[key] and key in self._open:
            self._open.pop(key).close()

    def close(self) -> None:
        """Close all scans that are still open."""
        for future in self._decodes:
            future.cancel()
        while self._open:
            self._open.popitem()[1].close()


class ScansApart:
    """Scans that several frames draw on, decoded on the workers of a cluster.

    While there are fewer scans than hands, so many share the frames of one, each decoding it.
    """

    def __init__(self, tasks: Sequence[FrameTask], executor: ClusterExecutor) -> None:
        self._executor = executor
        scans: dict[_Key, list[FrameTask]] = {}
        for task in tasks:
            scans.setdefault(_key(task), []).append(task)
        each = max(1, executor.hands // max(1, len(scans)))
        self._waiting: dict[_Key, list[tuple[FrameTask, Future[dict[str, str]]]]] = {}
        self._sizes: dict[_Key, list[int]] = {}
        for key, own in scans.items():
            if _block(own) is not None:
                self._waiting[key], self._sizes[key] = [], _shares(len(own), each)

    def submit(self, work: Work, task: FrameTask) -> Future[dict[str, str]]:
        """Submit work on a frame, or keep it until those that go with it are there."""
        key = _key(task)
        if key not in self._waiting:
            return self._executor.submit(work, task)
        future: Future[dict[str, str]] = Future()
        together = self._waiting[key]
        together.append((task, future))
        if len(together) == self._sizes[key][0]:
            del self._sizes[key][0]
            self._waiting[key] = []
            tasks, futures = zip(*together, strict=True)
            done = self._executor.submit(one_by_one, work, tasks)
            for each in futures:
                each.add_done_callback(lambda frame: frame.cancelled() and done.cancel())
            done.add_done_callback(lambda all_of_them: _pass_on(all_of_them, futures))
        return future

    def done(self, task: FrameTask) -> None:
        """Know that a frame is done."""

    def close(self) -> None:
        """Know that no more frames come."""


def shared_scans(tasks: Sequence[FrameTask], executor: Executor) -> SharedScans | ScansApart:
    """Return how the scans of tasks are shared among those who do them."""
    if isinstance(executor, ClusterExecutor):
        return ScansApart(tasks, executor)
    return SharedScans(tasks, executor)


def one_by_one(work: Work, tasks: Sequence[FrameTask]) -> list[dict[str, str] | Exception]:
    """Do frames of one scan that is decoded once; return what each came to, or what it raised."""
    first = tasks[0]
    block = first.scan.block or (first.scan.height, first.scan.width)
    came: list[dict[str, str] | Exception] = []
    with closing(UnpackedScan(first.scan, block, scratch_folder(first.out))) as unpacked:
        for task in tasks:
            # One frame must not take the others with it.
            try:
                came.append(work(replace(task, scan=replace(task.scan, unpacked=unpacked))))
            except Exception as error:
                came.append(error)
    return came


def _shares(count: int, hands: int) -> list[int]:
    """Return how many frames each of so many hands gets, none of them without."""
    hands = min(count, hands)
    return [count // hands + (hand < count % hands) for hand in range(hands)]


def _pass_on(
    done: Future[list[dict[str, str] | Exception]], frames: Sequence[Future[dict[str, str]]]
) -> None:
    error = CancelledError() if done.cancelled() else done.exception()
    came = [error] * len(frames) if error is not None else done.result()
    for frame, result in zip(frames, came, strict=True):
        if frame.set_running_or_notify_cancel():
            if isinstance(result, BaseException):
                frame.set_exception(result)
            else:
                frame.set_result(result)


def _key(task: FrameTask) -> _Key:
    return str(task.scan.path), task.scan.page


def _block(tasks: Sequence[FrameTask]) -> Span | None:
    """Return rows and columns of a scan that are decoded together, if its frames share them."""
    scan = tasks[0].scan
    block = scan.block
    if block is None or not scan.container.in_parts:
        return block
    rows, columns = min(block[0], scan.height), min(block[1], scan.width)
    if rows * columns * scan.samples * max(1, scan.bits // 8) >= _LARGE_BYTES:
        return block
    decoded = np.zeros((-(-scan.height // rows), -(-scan.width // columns)), np.int64)
    for task in tasks:
        (top, bottom), (left, right) = frame_window(scan, task.outline)
        place = slice(top // rows, -(-bottom // rows)), slice(left // columns, -(-right // columns))
        decoded[place] += _passes(task, scan)
    return block if decoded.sum() > _WORTH * np.count_nonzero(decoded) else None


def _passes(task: FrameTask, scan: Scan) -> int:
    """Return how often a frame goes over its part of a scan."""
    size, stored = picture_size(task.outline), (scan.height, scan.width)
    way = upright(task.outline, (0.0, 0.0), size, stored, task.columns_first)
    rows, columns = way.window(*frame_window(scan, task.outline))
    slabs = -(-(rows[1] - rows[0]) // slab_rows(scan, way, columns[1] - columns[0]))
    return (slabs if way.across else 1) + (task.dust is not None)
