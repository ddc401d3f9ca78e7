"""What can go wrong, in one sentence each, with the exit code it leads to."""

from enum import IntEnum
from pathlib import Path


class Exit(IntEnum):
    """Exit codes of the command; other programs rely on them.

    0: all is done. 1: some scans failed, the rest is done and listed. 2: wrong usage, or a setting
    that makes no sense. 3: nothing could be done. 128 and the number of a signal, as POSIX shells
    tell it: ended by that, as 130 by Ctrl-C (SIGINT), 143 by SIGTERM, 129 by SIGHUP and 141 where
    nobody reads on what it prints (SIGPIPE); what is finished stays valid, and a rerun goes on
    from there.
    """

    DONE = 0
    SOME_FAILED = 1
    WRONG_USAGE = 2
    NOTHING_DONE = 3
    HUNG_UP = 129
    INTERRUPTED = 130
    UNREAD = 141
    TERMINATED = 143


def reason_of(error: Exception) -> str:
    """Return what an error says, without the name of the file that it is of."""
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


class Problem(Exception):
    """Anything a user may meet, told in one sentence.

    `path` is the file or folder concerned; `what` is wrong, without its name and without a full
    stop; `remedy` what to do about it, an imperative without a full stop.
    """

    exit_code = Exit.SOME_FAILED

    def __init__(self, path: Path | str | None, what: str, remedy: str) -> None:
        self.path = None if path is None else Path(path)
        self.what = what
        self.remedy = remedy
        super().__init__(path, what, remedy)

    def __str__(self) -> str:
        """Return the whole sentence."""
        where = "" if self.path is None else f"{self.path}: "
        return f"{where}{self.what}; {self.remedy}."


class ScanProblem(Problem):
    """A scan that can't be read or holds no colour negative film."""


class SettingsProblem(Problem):
    """A setting, profile or roll.toml that makes no sense."""

    exit_code = Exit.WRONG_USAGE


class OutputProblem(Problem):
    """An output folder or file that can't be written; `number` is that of the disk's error."""

    exit_code = Exit.NOTHING_DONE
    number: int | None = None


class ClusterProblem(Problem):
    """A cluster that can't be used, or that lost work."""

    exit_code = Exit.NOTHING_DONE
