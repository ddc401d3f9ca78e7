"""Small files, read whole or refused; nothing in their place is waited for."""

import errno
import os
from pathlib import Path

import pytest

from pipeline.small_file import read_small, read_toml


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


def test_toml_is_read_with_or_without_a_mark(tmp_path):
    path = tmp_path / "a.toml"
    for mark in (b"", b"\xef\xbb\xbf"):
        path.write_bytes(mark + b"a = 1\n[b]\nc = [1, 2]\n")
        assert read_toml(path) == {"a": 1, "b": {"c": [1, 2]}}


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 21 + "]" * 21, "[" + ".".join("a" * 21) + "]", "a = " + "[" * 30000,
        "a = " + "{b = " * 10000, "[" + ".".join("a" * 15000) + "]",
    ],
)  # fmt: skip
def test_what_is_nested_too_deep_is_refused(tmp_path, text):
    path = tmp_path / "a.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(ValueError, match="nested more than 20 deep"):
        read_toml(path)


def test_what_is_nested_as_deep_as_allowed_is_read(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text("a = " + "[" * 19 + "]" * 19, "utf-8")
    assert "a" in read_toml(path)


def test_toml_beyond_any_use_is_refused(tmp_path):
    path = tmp_path / "a.toml"
    path.write_bytes(b"#" * 65537)
    with pytest.raises(OSError, match="larger than 64 kB"):
        read_toml(path)
