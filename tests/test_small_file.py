"""Small files, read whole or refused; nothing in their place is waited for."""

import errno
import os
from pathlib import Path

import pytest

from pipeline.small_file import read_small


def test_all_bytes_up_to_the_limit(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"12345678")
    assert read_small(path, 8) == b"12345678"
    with pytest.raises(OSError, match="larger than") as told:
        read_small(path, 7)
    assert told.value.errno == errno.EFBIG


def test_pipes_devices_and_folders_are_refused_at_once(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path in (pipe, Path("/dev/zero"), tmp_path):
        with pytest.raises(OSError, match="no plain file"):
            read_small(path, 100)


def test_missing_file_is_told_by_the_system(tmp_path):
    with pytest.raises(FileNotFoundError):
        read_small(tmp_path / "absent", 100)
