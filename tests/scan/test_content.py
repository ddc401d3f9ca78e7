"""Content of scans, taken early, against the hash library's own word for the whole file."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import xxhash

from pipeline.problem import ScanProblem
from pipeline.scan.content import begin_contents, content_of


def test_content_is_the_hash_of_the_bytes_while_they_hold(tmp_path: Path):
    path = tmp_path / "strip.tif"
    path.write_bytes(b"light" * 1000)
    content = content_of(path)
    assert content.value == xxhash.xxh3_128_hexdigest(b"light" * 1000)
    assert content.holds(path)
    path.write_bytes(b"other" * 1001)
    assert not content.holds(path)
    path.unlink()
    assert not content.holds(path)


def test_a_scan_that_is_replaced_by_one_as_old_and_as_large_is_another(tmp_path: Path):
    path, other = tmp_path / "strip.tif", tmp_path / "other.tif"
    for file in (path, other):
        file.write_bytes(file.name[:5].encode())
    content = content_of(path)
    other.replace(path)
    assert not content.holds(path)


def test_a_scan_that_is_gone_is_told(tmp_path: Path):
    with pytest.raises(ScanProblem, match="there is no such file"):
        content_of(tmp_path / "gone.tif")


def test_only_what_is_not_known_is_read(tmp_path: Path):
    known, new = tmp_path / "known.tif", tmp_path / "new.tif"
    for file in (known, new):
        file.write_bytes(b"light")
    told = {known: "hash", new: None}
    with ThreadPoolExecutor(1) as executor:
        begun = begin_contents(told, executor, told.get)
        assert list(begun) == [new]
        assert begun[new].result().value == xxhash.xxh3_128_hexdigest(b"light")
        assert begin_contents(told, executor, None) == {}
