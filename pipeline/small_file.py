"""Small files that anybody may have written: read whole, but only so much and nothing else."""

import errno
import os
import stat
from pathlib import Path

# Far more than notes on a roll or a profile ever hold.
MOST_TOML_BYTES = 256 << 10


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
            data = file.read(most_bytes + 1)
    finally:
        os.close(descriptor)
    if len(data) > most_bytes:
        raise OSError(errno.EFBIG, f"it is larger than {most_bytes >> 10} kB")
    return data
