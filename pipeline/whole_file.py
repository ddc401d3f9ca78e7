"""Files of ours: written whole or not at all, known again, and swept up after killed runs."""

import contextlib
import errno
import os
import secrets
import stat
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from pipeline import __version__
from pipeline.problem import OutputProblem

if sys.platform != "win32":
    import fcntl

_FULL_SYNC = None if sys.platform == "win32" else getattr(fcntl, "F_FULLFSYNC", None)
# One system tells the paths of open files by fcntl(2), others by links.
_PATH_OF = None if sys.platform == "win32" else getattr(fcntl, "F_GETPATH", None)
_LONGEST_PATH = 1024
NAMESPACE = "https://evenroll.invalid/ns/1.0/"
SOFTWARE = f"evenroll {__version__}"
"""By these our own files are known."""

PREFIX, SUFFIX = ".evenroll-", ".part"
"""How the names of temporary files begin and end, by which killed runs' are swept."""

LOCK_NAME = ".evenroll.lock"
"""The file by which a run keeps others out of its output folder, as long as it goes on."""

_TRIAL = "trial"
# Characters of the final name in the temporary one: file systems take 255 bytes.
_NAME_PART = 40
# What our own pictures and sidecars, roll.json and pages carry near their start.
_MARKS = (
    NAMESPACE.encode(),
    b'"evenroll": "',
    b'content="evenroll',
    b"# Film profile by evenroll",
    b"kind,batch,roll,mixed,",
)
_HEAD_BYTES = 1 << 18

_CAUSES = {
    errno.ENOSPC: ("can't be written, the disk is full", "make room and run again"),
    errno.EDQUOT: ("can't be written, the disk quota is used up", "make room and run again"),
    errno.EFBIG: ("can't be written, it is too large for this disk", "choose another disk"),
    errno.EROFS: ("can't be written, the disk is read-only", "choose another output folder"),
    errno.EACCES: ("can't be written, permission is denied", "choose another output folder"),
    errno.EPERM: ("can't be written, permission is denied", "choose another output folder"),
    errno.ENOENT: ("can't be written, its folder has gone", "bring it back and run again"),
    errno.ENOTDIR: ("can't be written, a file is in its way", "choose another output folder"),
    errno.EISDIR: ("can't be written, a folder has its name", "choose another output folder"),
    errno.ENAMETOOLONG: ("can't be written, its name is too long", "give the roll a shorter id"),
}


def output_problem(path: Path, error: OSError) -> OutputProblem:
    """Return what went wrong in writing `path`, told apart by the error's number."""
    reason = error.strerror or str(error) or "unknown reason"
    otherwise = (f"can't be written ({reason})", "choose another output folder")
    problem = OutputProblem(path, *_CAUSES.get(error.errno or 0, otherwise))
    problem.number = error.errno
    return problem


def is_ours(path: Path) -> bool:
    """Return whether evenroll wrote the file: its start holds one of our marks.

    Raises
    ------
    OutputProblem
        If it can't be read.
    """
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError as error:
        raise output_problem(path, error) from error
    return any(mark in head for mark in _MARKS)


def check_replaceable(path: Path) -> None:
    """Raise OutputProblem if `path` is there and evenroll did not write it."""
    try:
        # A link is never followed: what it leads to is not for us to judge or to write.
        kind = path.lstat().st_mode
    except FileNotFoundError:
        return
    except OSError as error:
        raise output_problem(path, error) from error
    if stat.S_ISDIR(kind):
        raise OutputProblem(path, "is a folder", "move it away or choose another output folder")
    if not stat.S_ISREG(kind) or not is_ours(path):
        raise OutputProblem(
            path, "was not written by evenroll", "move it away or choose another output folder"
        )


def check_folder(folder: Path) -> None:
    """Create the output folder if need be, and make sure that files can be written into it.

    Raises
    ------
    OutputProblem
        If it can't be created or written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise OutputProblem(folder, "is a file", "choose another output folder") from error
    except FileNotFoundError as error:
        raise OutputProblem(
            folder, "can't be created there", "choose another output folder"
        ) from error
    except OSError as error:
        raise output_problem(folder, error) from error
    for stale in folder.glob(f"{PREFIX}{_TRIAL}.*{SUFFIX}"):
        with contextlib.suppress(OSError):
            stale.unlink()
    with trial_file(folder):
        pass


def check_folder_to_be(folder: Path) -> None:
    """Raise OutputProblem where `check_folder` would, as far as that shows without writing."""
    there = folder
    while not os.path.lexists(there) and there != there.parent:
        there = there.parent
    if not there.is_dir():
        if there == folder:
            raise OutputProblem(folder, "is a file", "choose another output folder")
        raise output_problem(folder, OSError(errno.ENOTDIR, ""))
    if not os.access(there, os.W_OK | os.X_OK):
        raise output_problem(folder, OSError(errno.EACCES, ""))


@contextmanager
def trial_file(folder: Path) -> Iterator[Path]:
    """Yield a file in the folder by which others can tell that they see the same one.

    Raises
    ------
    OutputProblem
        If it can't be written.
    """
    trial = _temporary(folder / _TRIAL)
    try:
        try:
            trial.write_bytes(b"trial")
        except OSError as error:
            raise output_problem(folder, error) from error
        yield trial
    finally:
        with contextlib.suppress(OSError):
            trial.unlink(missing_ok=True)


def leftovers(folder: Path) -> list[Path]:
    """Return the temporary files in a folder: those of killed runs, and of running ones."""
    found = sorted(folder.glob(f"{PREFIX}*{SUFFIX}"))
    return [path for path in found if path.is_file() and not path.is_symlink()]


def sweep(folder: Path) -> int:
    """Remove what killed runs left in the folder; return the number of files removed.

    Files that a running process still writes are left alone. To be called under the folder's
    lock, since a file is there a moment before its writer has it.
    """
    removed = 0
    for path in leftovers(folder):
        # For writing, which locks on network disks ask for.
        with contextlib.suppress(OSError), path.open("rb+") as file:
            _lock(file)
            path.unlink()
            removed += 1
    return removed


def take_unfinished_away() -> None:
    """Remove temporary files that this process has open, and its locks, as it ends at once.

    Where the system does not tell which files those are, the next run sweeps them.
    """
    # A thread may begin another one meanwhile.
    while any([_removed_unfinished(path, number) for number, path in _open_files()]):
        pass


def _removed_unfinished(path: Path, number: int) -> bool:
    name = path.name
    if name == LOCK_NAME or (name.startswith(PREFIX) and name.endswith(SUFFIX)):
        # By its number, so that it fails only where another process has the file's lock.
        with contextlib.suppress(OSError):
            _lock(number)
            path.unlink()
            return True
    return False


def _open_files() -> Iterator[tuple[int, Path]]:
    """Yield this process's open files that have names, with their numbers."""
    with contextlib.suppress(OSError):
        for link in Path("/dev/fd").iterdir():
            # Others may be closed meanwhile.
            with contextlib.suppress(OSError):
                number = int(link.name)
                if _PATH_OF is None:
                    yield number, link.readlink()
                else:
                    told = fcntl.fcntl(number, _PATH_OF, bytes(_LONGEST_PATH))
                    yield number, Path(os.fsdecode(told.rstrip(b"\0")))


def _settle(folder: Path) -> None:
    """Bring a folder's names to the disk, so that a finished file outlives a loss of power."""
    # Some network disks can't; then the file is still whole or not there.
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            _to_disk(descriptor)
        finally:
            os.close(descriptor)


def _to_disk(descriptor: int) -> None:
    """Wait until all that was written lies on the disk, not only in its own memory."""
    # fsync(2) of one system lets the disk keep it; where that can't be asked of it, fsync it is.
    if _FULL_SYNC is not None:
        with contextlib.suppress(OSError):
            fcntl.fcntl(descriptor, _FULL_SYNC)
            return
    os.fsync(descriptor)


def _lock(file: BinaryIO | int) -> None:
    """Lock a temporary file for its writer; OSError if another process has it."""
    if sys.platform != "win32":
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _temporary(path: Path) -> Path:
    name = f"{PREFIX}{path.name[:_NAME_PART]}.{secrets.token_hex(6)}{SUFFIX}"
    return path.with_name(name)


@contextmanager
def atomic(path: Path, *, settle: bool = True, users: bool = False) -> Iterator[BinaryIO]:
    """Yield a file to write and read; it becomes `path` when the block ends without an error.

    It is a temporary file in the same folder, flushed to the disk before it is renamed, and
    removed if anything goes wrong. Its new name is brought to the disk as well, unless not to
    `settle` says that another file's in the same folder will be after it, and all names with it.
    A file of the user's own is replaced only where `users` says that they want it, and then keeps
    its permissions.

    Raises
    ------
    OutputProblem
        If `path` is there and not ours, or for any error of the disk.
    """
    if not users:
        check_replaceable(path)
    temporary = _temporary(path)
    try:
        with temporary.open("xb+") as file:
            if users and path.exists():
                temporary.chmod(stat.S_IMODE(path.stat().st_mode))
            with contextlib.suppress(OSError):  # Network disks may have no locks.
                _lock(file)
            yield file
            file.flush()
            _to_disk(file.fileno())
        temporary.replace(path)
        if settle:
            _settle(path.parent)
    except OSError as error:
        raise output_problem(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def write_text(
    path: Path, text: str | Iterable[str], *, settle: bool = True, users: bool = False
) -> None:
    """Write text, or its parts, as UTF-8, atomically; `settle` and `users` are those of `atomic`.

    Raises
    ------
    OutputProblem
        As `atomic` does.
    """
    with atomic(path, settle=settle, users=users) as file:
        for part in (text,) if isinstance(text, str) else text:
            file.write(part.encode("utf-8"))
