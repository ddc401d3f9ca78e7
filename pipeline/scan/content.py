"""The content of a scan as a hash, taken early, and whether it still holds."""

from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from pathlib import Path

from pipeline.scan.container import guarded
from pipeline.small_file import content_hash

FileState = tuple[int, int, int, int]
"""Bytes, times of last change to content and to anything, number on its disk."""


@dataclass(frozen=True)
class ScanContent:
    """A hash of a scan's bytes; `state` is what tells a changed file, from before it was read."""

    value: str
    state: FileState

    def holds(self, path: Path) -> bool:
        """Tell whether the scan is as it was when it was hashed."""
        try:
            return file_state(path) == self.state
        except OSError:
            return False


def content_of(path: Path) -> ScanContent:
    """Return the content of a scan.

    Raises
    ------
    ScanProblem
        It can't be read.
    """
    with guarded(path):
        state = file_state(path)
        return ScanContent(content_hash(path), state)


def begin_contents(
    paths: Iterable[Path], executor: Executor, known_hash: Callable[[Path], str | None] | None
) -> dict[Path, Future[ScanContent]]:
    """Begin to hash the scans that are not known, if anybody tells which are."""
    if known_hash is None:
        return {}
    return {path: executor.submit(content_of, path) for path in paths if known_hash(path) is None}


def file_state(path: Path) -> FileState:
    """Return what tells a changed file."""
    found = path.stat()
    return found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino
