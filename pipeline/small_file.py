"""Small files that anybody may have written: read whole, but only so much and nothing else."""

import errno
import os
import stat
import tomllib
from pathlib import Path
from typing import Any

# Far more than notes on a roll or a profile ever hold, and little enough that the time a
# parser takes, which may grow with the square of it, stays below a second or two.
_MOST_TOML_BYTES = 64 << 10
_DEEPEST = 20


def read_small(path: Path, most_bytes: int) -> bytes:
    """Return all bytes of a plain file of at most `most_bytes`.

    A pipe or a device in its place is not waited for.

    Raises
    ------
    OSError
        If it can't be read, is no plain file or is larger; `strerror` says which, in words.
    """
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "it is no plain file")
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            data = file.read(most_bytes + 1) or b""
    finally:
        os.close(descriptor)
    if len(data) > most_bytes:
        raise OSError(errno.EFBIG, f"it is larger than {most_bytes >> 10} kB")
    return data


def read_toml(path: Path) -> dict[str, Any]:
    """Return the document in a TOML file of at most 64 kB.

    Raises
    ------
    OSError
        As `read_small` does.
    ValueError
        If it is no TOML, or has tables or lists in each other more than 20 deep.
    """
    text = read_small(path, _MOST_TOML_BYTES).decode("utf-8-sig")
    try:
        document = tomllib.loads(text)
    except RecursionError as error:
        raise ValueError(f"it is nested more than {_DEEPEST} deep") from error
    level: list[Any] = [document]
    for _ in range(_DEEPEST):
        level = [inner for outer in level for inner in _inside(outer)]
    if level:
        raise ValueError(f"it is nested more than {_DEEPEST} deep")
    return document


def _inside(outer: Any) -> list[Any]:
    """Return the tables and lists directly in a table or list."""
    values = outer.values() if isinstance(outer, dict) else outer
    return [value for value in values if isinstance(value, (dict, list))]
