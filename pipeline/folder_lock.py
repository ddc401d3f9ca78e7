"""A lock on an output folder, so that two runs never write into it at once."""

import contextlib
import errno
import os
import re
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.problem import OutputProblem
from pipeline.small_file import read_small
from pipeline.whole_file import output_problem

if sys.platform != "win32":
    import fcntl

LOCK_NAME = ".evenroll.lock"
_POLL_SECONDS = 0.2
_MOST_BYTES = 200
_HOLDER = re.compile(r"process \d{1,10} on [\w.-]{1,100}")
_TAKEN = (errno.EWOULDBLOCK, errno.EACCES)


@contextmanager
def folder_lock(folder: Path, waiting: Callable[[str], None]) -> Iterator[None]:
    """Hold the folder's lock; while another run has it, wait.

    The lock belongs to an open file and ends with its process, however that ends; it holds
    between machines where the disk passes locks on, as NFS does. On disks that know no locks
    nothing is locked.

    Parameters
    ----------
    waiting
        Called once if another run has the lock, with words for that run, as far as known.

    Raises
    ------
    OutputProblem
        If the folder can't be written.
    """
    path = folder / LOCK_NAME
    descriptor = None
    try:
        descriptor = _taken(path)
        if descriptor is None:
            waiting(_holder(path))
        while descriptor is None:
            time.sleep(_POLL_SECONDS)
            descriptor = _taken(path)
        with contextlib.suppress(OSError):
            os.write(descriptor, f"process {os.getpid()} on {socket.gethostname()}\n".encode())
        yield
    finally:
        if descriptor is not None:
            _release(descriptor, path)


@contextmanager
def lock_if_free(folder: Path) -> Iterator[bool]:
    """Hold the folder's lock if no other run has it; yield whether it is held.

    Raises
    ------
    OutputProblem
        If the folder can't be written.
    """
    path = folder / LOCK_NAME
    descriptor = _taken(path)
    try:
        yield descriptor is not None
    finally:
        if descriptor is not None:
            _release(descriptor, path)


def _taken(path: Path) -> int | None:
    """Return the descriptor of the locked file, or None if another run has it."""
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        descriptor = os.open(path, flags, 0o666)
    except OSError as error:
        if error.errno == errno.ELOOP:
            raise OutputProblem(path, "is a link", "take it away and run again") from error
        raise output_problem(path, error) from error
    try:
        locked = _lock(descriptor)
        # Its last holder may have taken the file away between opening and locking.
        current = _is_at(descriptor, path)
    except BaseException:
        _release(descriptor, path)
        raise
    if locked and current:
        return descriptor
    os.close(descriptor)
    return None if current else _taken(path)


def _lock(descriptor: int) -> bool:
    """Lock an open file; return False if another run has the lock."""
    try:
        if sys.platform != "win32":
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in _TAKEN
    return True


def _release(descriptor: int, path: Path) -> None:
    """Take the file away while it is locked, so that nobody else's goes, and close it."""
    try:
        with contextlib.suppress(OSError):
            if _lock(descriptor) and _is_at(descriptor, path):
                path.unlink()
    finally:
        os.close(descriptor)


def _is_at(descriptor: int, path: Path) -> bool:
    """Tell whether an open file is the one that has the path now."""
    try:
        return os.path.samestat(os.fstat(descriptor), path.lstat())
    except OSError:
        return False


def _holder(path: Path) -> str:
    """Return words for the run that has the lock; anybody may have written the file."""
    with contextlib.suppress(OSError):
        text = read_small(path, _MOST_BYTES).decode("utf-8", "replace").strip()
        if _HOLDER.fullmatch(text):
            return text
    return "another process"
