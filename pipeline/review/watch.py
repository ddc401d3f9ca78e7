"""Scans that come while the page is open: taken in once their files are whole."""

import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from threading import Event as Flag

from pipeline.problem import Problem
from pipeline.scan import is_scan_name, open_scan

# A scanner's program may pause for longer between two writes; then the file is looked at again.
_STILL_SECONDS = 1.5
_GIVEN_UP_SECONDS = 10.0
_LOOK_MS = 500

_State = tuple[int, int]


def watch(folder: Path, came: Callable[[], None], stop: Flag) -> None:
    """Call `came` whenever scans in a folder have come, changed or gone, and are whole.

    A file is whole when it has not changed for a while and its pages can be opened. Returns when
    told to stop.
    """
    from watchfiles import watch as changes

    told, waiting = _states(folder), False
    for _ in changes(
        folder, stop_event=stop, rust_timeout=_LOOK_MS, yield_on_timeout=True, recursive=False,
        raise_interrupt=False,
    ):  # fmt: skip
        now = _states(folder)
        waiting = waiting or now != told
        if not waiting or not _still(now):
            continue
        fresh = {path for path, state in now.items() if told.get(path) != state}
        if all(map(_whole, fresh)):
            told, waiting = now, False
            came()


def _states(folder: Path) -> Mapping[Path, _State]:
    states: dict[Path, _State] = {}
    with suppress(OSError):
        for path in folder.iterdir():
            with suppress(OSError):
                if is_scan_name(path) and path.is_file():
                    found = path.stat()
                    states[path] = found.st_size, found.st_mtime_ns
    return states


def _still(states: Mapping[Path, _State]) -> bool:
    latest = max((time_ns for _, time_ns in states.values()), default=0)
    return time.time_ns() - latest > _STILL_SECONDS * 1e9


def _whole(path: Path) -> bool:
    """Tell whether a file can be opened as a scan, or has long been one that can't."""
    try:
        return all(scan.width > 0 for scan in open_scan(path))
    except Problem:
        with suppress(OSError):
            return time.time() - path.stat().st_mtime > _GIVEN_UP_SECONDS
        return True
