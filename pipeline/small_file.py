"""Small files of anybody's, read with bounds, and what tells that a file has changed."""

import errno
import hashlib
import os
import stat
import tomllib
from pathlib import Path
from typing import Any

# Far more than notes on a roll or a profile ever hold, and little enough that the time a
# parser takes, which may grow with the square of it, stays below a second or two.
_MOST_TOML_BYTES = 64 << 10
_DEEPEST = 20


def content_hash(path: Path) -> str:
    """Return a hash of a file's bytes in hexadecimal (XXH3, 128 bits), read a piece at a time.

    It tells content that has changed, at the speed of memory; it is no proof against someone who
    means to deceive.

    Raises OSError if it can't be read.
    """
    import xxhash

    with path.open("rb", buffering=0) as handle:
        return hashlib.file_digest(handle, xxhash.xxh3_128).hexdigest()


def read_small(path: Path, most_bytes: int) -> bytes:
    """Return all bytes of a plain file of at most `most_bytes`.

    A pipe or a device in its place is not waited for.

    Raises OSError if it can't be read, is no plain file or is larger; `strerror` says which, in
    words.
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

    Raises OSError as `read_small` does. Raises ValueError if it is no TOML, or has tables or lists
    in each other more than 20 deep.
    """
    text = read_small(path, _MOST_TOML_BYTES).decode("utf-8-sig")
    try:
        document = tomllib.loads(text)
        too_deep = _depth(document) > _DEEPEST
    except RecursionError:
        too_deep = True
    if too_deep:
        raise ValueError(f"it is nested more than {_DEEPEST} deep")
    return document


def _depth(value: Any) -> int:
    """Return how many tables and lists stand in each other."""
    inner = value.values() if isinstance(value, dict) else value
    return 1 + max(map(_depth, inner), default=0) if isinstance(value, (dict, list)) else 0
