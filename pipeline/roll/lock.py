"""Lock of an output folder: one run at a time writes into it."""

import errno
import os
import re
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.problem import OutputProblem
from pipeline.small_file import read_small
from pipeline.whole_file import LOCK_NAME, output_problem

if TYPE_CHECKING:
    from filelock import FileLock

_POLL_SECONDS = 0.2
_MOST_HOLDER_BYTES = 200
_HOLDER = re.compile(r"process \d{1,10} on [\w.-]{1,100}")
# What disks answer that know no locks, as some network disks.
_NO_LOCKS = (errno.ENOLCK, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EINVAL)


@contextmanager
def folder_lock(folder: Path, waiting: Callable[[str], None]) -> Iterator[None]:
    """Hold the folder's lock; while another run has it, tell `waiting` which, and wait.

    The lock belongs to an open file and ends with its process, however that ends; it holds between
    machines where the disk passes locks on, as NFS does. On disks that know no locks nothing is
    locked.

    Raises OutputProblem if the folder can't be written.
    """
    path = folder / LOCK_NAME
    with _lock_of(path) as lock:
        if not _taken(lock, wait=False):
            waiting(_holder(path))
            _taken(lock, wait=True)
        with suppress(OSError):
            path.write_text(f"process {os.getpid()} on {socket.gethostname()}\n", "utf-8")
        yield


@contextmanager
def lock_if_free(folder: Path) -> Iterator[bool]:
    """Hold the folder's lock if no other run has it; yield whether it is held.

    Raises OutputProblem if the folder can't be written.
    """
    with _lock_of(folder / LOCK_NAME) as lock:
        yield _taken(lock, wait=False)


@contextmanager
def _lock_of(path: Path) -> "Iterator[FileLock]":
    """Yield a lock that is not taken yet; at the end its file goes, unless another run has it."""
    from filelock import FileLock

    lock = FileLock(path, mode=0o666, poll_interval=_POLL_SECONDS, fallback_to_soft=False)
    try:
        yield lock
    finally:
        # Taken away while it is locked, so that nobody else's goes.
        with suppress(OutputProblem, OSError):
            if _taken(lock, wait=False):
                path.unlink()
        lock.release(force=True)


def _taken(lock: "FileLock", wait: bool) -> bool:
    """Take a lock, once more if it is taken already; return False if another run has it."""
    from filelock import Timeout

    path = Path(lock.lock_file)
    try:
        # Else the library would make a folder anew that has gone.
        path.parent.stat()
        lock.acquire(blocking=wait)
    except Timeout:
        return False
    except OSError as error:
        if error.errno == errno.ELOOP:
            raise OutputProblem(path, "is a link", "take it away and run again") from error
        if error.errno not in _NO_LOCKS:
            raise output_problem(path, error) from error
    return True


def _holder(path: Path) -> str:
    """Return words for the run that has the lock; anybody may have written the file."""
    with suppress(OSError):
        text = read_small(path, _MOST_HOLDER_BYTES).decode("utf-8", "replace").strip()
        if _HOLDER.fullmatch(text):
            return text
    return "another process"
