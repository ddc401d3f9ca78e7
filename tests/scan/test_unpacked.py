"""Scans decoded once for many readers: the same codes, once, whatever happens."""

import errno
import os
import pickle
import shutil
import tempfile
import threading
from collections import Counter, namedtuple
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.testing import assert_array_equal
from PIL import Image

from pipeline.problem import OutputProblem, ScanProblem
from pipeline.scan import stored, unpacked
from pipeline.scan import stream as deflate_stream
from pipeline.scan.scan import Scan, open_scan, opened
from pipeline.scan.unpacked import UnpackedScan
from pipeline.whole_file import sweep
from tests.render.whole_pictures import read_both, read_codes
from tests.scan.test_tiff import COLUMNS, ROWS, picture, write

Usage = namedtuple("Usage", "total used free")

STORED = {
    "strips": {"compression": "zlib", "rowsperstrip": 9},
    "differences, big-endian": {
        "compression": "zlib", "predictor": True, "byteorder": ">", "rowsperstrip": 20,
    },
    "one strip": {"compression": "zlib", "predictor": True},
    "LZW": {"compression": "lzw", "rowsperstrip": 8},
    "tiles": {"compression": "zlib", "tile": (32, 48)},
    "separate planes": {"compression": "zlib", "planarconfig": "separate", "rowsperstrip": 13},
    "separate tiles": {"compression": "zstd", "planarconfig": "separate", "tile": (16, 32)},
    "plain tiles": {"tile": (32, 32)},
}  # fmt: skip


@pytest.fixture(params=["with positioned reads", "without"])
def system(request, monkeypatch) -> int:
    """Do it once as on systems without positioned reads and writes; return which it is."""
    if request.param == "without":
        monkeypatch.setattr(stored, "_READS_AT_PLACES", False)
        monkeypatch.setattr(unpacked, "_WRITES_AT_PLACES", False)
    return request.param_index


@pytest.fixture(params=[1, 4000, 4 << 20])
def band(request, monkeypatch) -> int:
    """Set how much is decoded at once; return which of the sizes it is."""
    monkeypatch.setattr(unpacked, "_BAND_BYTES", request.param)
    return request.param_index


@pytest.fixture
def decoded(monkeypatch) -> Counter[int]:
    """Count how often each strip or tile is decoded."""
    seen: Counter[int] = Counter()
    decode = tifffile.TiffPage.decode.func

    def counting(page):
        function = decode(page)

        def one(data, index, **options):
            seen[page.index, index] += 1
            return function(data, index, **options)

        return one

    monkeypatch.setattr(tifffile.TiffPage, "decode", property(counting))
    return seen


@pytest.fixture
def shared():
    """Return a function that shares a scan; what it shared is closed at the end."""
    made: list[UnpackedScan] = []

    def share(scan: Scan, folder: Path) -> Scan:
        block = scan.block
        assert block is not None
        made.append(UnpackedScan(scan, block, folder))
        return replace(scan, unpacked=made[-1])

    yield share
    for one in made:
        one.close()


def read_by_many(scan: Scan, threads: int = 6) -> list[tuple[slice, slice, np.ndarray]]:
    windows = [((row, row + 30), (row, row + 40)) for row in range(0, 50, 3)]
    with ThreadPoolExecutor(threads) as pool:
        read = list(pool.map(lambda window: read_codes(scan, *window), windows))
    return [
        (slice(*rows), slice(*columns), codes)
        for codes, (rows, columns) in zip(read, windows, strict=True)
    ]


@pytest.mark.parametrize("name", STORED)
def test_many_threads_read_what_was_written_decoded_once(
    tmp_path, name, system, band, decoded, shared
):
    # Each way of storing, system and band meets both kinds.
    kind = (np.uint8, np.uint16)[(list(STORED).index(name) + system + band) % 2]
    path = write(tmp_path / "strip.tif", picture(kind), **STORED[name])
    (scan,) = open_scan(path)
    out = tmp_path / "out"
    out.mkdir()
    source = shared(scan, out)
    for rows, columns, codes in read_by_many(source):
        assert codes.dtype == kind
        assert_array_equal(codes, picture(kind)[rows, columns])
    assert_array_equal(read_codes(source, (0, ROWS), (0, COLUMNS)), picture(kind))
    assert set(decoded.values()) == {1}
    # It has no name that a killed run could leave behind.
    assert not list(out.iterdir())


@pytest.mark.usefixtures("band")
@pytest.mark.parametrize("bits", [np.uint8, np.uint16])
def test_an_infrared_page_goes_with_it(tmp_path, bits, decoded, shared):
    path, plane = tmp_path / "strip.tif", picture(bits)[..., 1]
    with tifffile.TiffWriter(path) as file:
        file.write(picture(), photometric="rgb", compression="zlib", rowsperstrip=10)
        file.write(plane, photometric="minisblack", compression="lzw", rowsperstrip=7)
    (scan,) = open_scan(path)
    source = shared(scan, tmp_path)
    assert source.infrared
    with opened(source) as reader:
        codes, infrared = reader.both((3, 70), (5, 100))
        assert_array_equal(reader.both((1, 2), (0, 9))[1], plane[1:2, :9])
    assert_array_equal(codes, picture()[3:70, 5:100])
    assert infrared.dtype == bits
    assert_array_equal(infrared, plane[3:70, 5:100])
    if unpacked._BAND_BYTES > 1000:
        assert set(decoded.values()) == {1}


def test_a_fourth_sample_goes_with_it(tmp_path, shared):
    data = picture(samples=4)
    path = write(tmp_path / "a.tif", data, extrasamples=[0], compression="zlib", rowsperstrip=9)
    (scan,) = open_scan(path)
    for ours, plain in zip(
        read_both(shared(scan, tmp_path), (3, 70), (5, 100)),
        read_both(scan, (3, 70), (5, 100)),
        strict=True,
    ):
        assert_array_equal(ours, plain)


@pytest.mark.parametrize("name", ["strip.png", "strip.jpg"])
def test_whole_pictures_are_decoded_once(tmp_path, name, shared):
    path = tmp_path / name
    if name.endswith("png"):
        path.write_bytes(imagecodecs.png_encode(picture()))
    else:
        Image.fromarray(picture(np.uint8)).save(path)
    (scan,) = open_scan(path)
    whole = read_codes(scan, (0, ROWS), (0, COLUMNS))
    begun: list[Path] = []
    container = scan.container

    def counting(path, *args):
        begun.append(path)
        return container.opened(path, *args)

    scan = replace(scan, container=replace(container, opened=counting))
    for rows, columns, codes in read_by_many(shared(scan, tmp_path)):
        assert_array_equal(codes, whole[rows, columns])
    assert len(begun) == 1


def test_a_file_that_has_a_name_for_a_moment_is_swept_if_a_run_is_killed_then(
    tmp_path, monkeypatch, shared
):
    # Where a disk knows no files without names, one is made and its name taken away.
    def named(**words):
        return tempfile.NamedTemporaryFile(delete=False, **words)

    path = write(tmp_path / "strip.tif", picture(), compression="zlib", rowsperstrip=9)
    (scan,) = open_scan(path)
    monkeypatch.setattr(unpacked.tempfile, "TemporaryFile", named)
    with opened(shared(scan, tmp_path)) as reader:
        reader.codes((0, ROWS), (0, COLUMNS))
    assert len(list(tmp_path.iterdir())) == 2
    assert sweep(tmp_path) == 1
    assert list(tmp_path.iterdir()) == [path]


def no_room(monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(1, 1, 3 * picture().nbytes))


def no_file(monkeypatch):
    def refuse(**_):
        raise OSError(errno.EROFS, "read-only")

    monkeypatch.setattr(unpacked.tempfile, "TemporaryFile", refuse)


def full_on_the_way(monkeypatch):
    count = iter(range(1000))

    def some(descriptor, data, place):
        if next(count) > 2:
            raise OSError(errno.ENOSPC, "full")
        # A system may write less than it is given.
        return write_at(descriptor, data[:100], place)

    write_at = os.pwrite
    monkeypatch.setattr(unpacked.os, "pwrite", some)


def out_of_memory(monkeypatch):
    def refuse(*_):
        raise MemoryError

    monkeypatch.setattr(UnpackedScan, "_put", refuse)


@pytest.mark.parametrize("fail", [no_room, no_file, full_on_the_way, out_of_memory])
def test_where_it_can_not_be_each_reader_decodes(tmp_path, fail, monkeypatch, shared):
    path = write(tmp_path / "strip.tif", picture(), **STORED["strips"])
    (scan,) = open_scan(path)
    fail(monkeypatch)
    source = shared(scan, tmp_path)
    for rows, columns, codes in read_by_many(source):
        assert_array_equal(codes, picture()[rows, columns])
    # The room of what was begun is given back at once.
    assert source.unpacked._file is None or source.unpacked._file.closed


def test_few_bytes_at_a_time_are_all_written(tmp_path, monkeypatch, shared):
    (scan,) = open_scan(write(tmp_path / "strip.tif", picture(), **STORED["strips"]))
    write_at = os.pwrite
    monkeypatch.setattr(unpacked.os, "pwrite", lambda f, data, at: write_at(f, data[:1000], at))
    source = shared(scan, tmp_path)
    assert_array_equal(read_codes(source, (0, ROWS), (0, COLUMNS)), picture())
    assert source.unpacked._is_unpacked()


@pytest.mark.parametrize("name", ["strips", "tiles"])
def test_damage_concerns_only_readers_that_meet_it(tmp_path, name, shared):
    path = write(tmp_path / "strip.tif", picture(), **STORED[name])
    (scan,) = open_scan(path)
    with tifffile.TiffFile(path) as file:
        start, size = file.pages[0].dataoffsets[-1], file.pages[0].databytecounts[-1]
    data = bytearray(path.read_bytes())
    data[start : start + size] = bytes(size)
    path.write_bytes(data)
    source = shared(scan, tmp_path)
    assert_array_equal(read_codes(source, (0, 50), (0, 80)), picture()[:50, :80])
    with pytest.raises(ScanProblem, match=r"strip\.tif: is damaged"):
        read_codes(source, (0, ROWS), (0, COLUMNS))


def test_a_scan_that_has_gone_is_told_by_each_reader(tmp_path, shared):
    path = write(tmp_path / "strip.tif", picture(), **STORED["strips"])
    source = shared(open_scan(path)[0], tmp_path)
    path.unlink()
    for _ in range(2):
        with pytest.raises(ScanProblem, match="no such file"):
            read_codes(source, (0, 9), (0, 9))


def test_other_processes_get_the_scan_as_it_lies(tmp_path, shared):
    path = write(tmp_path / "strip.tif", picture(), **STORED["strips"])
    (scan,) = open_scan(path)
    source = shared(scan, tmp_path)
    read_codes(source, (0, 9), (0, 9))
    there = pickle.loads(pickle.dumps(source))
    assert there == source == scan
    assert hash(there) == hash(source)
    assert there.unpacked is None
    assert len(pickle.dumps(source)) < len(pickle.dumps(scan)) + 100
    unpacked.decode(there.unpacked)


def test_closing_waits_for_those_who_decode_and_ends_their_work(tmp_path, monkeypatch, shared):
    path = write(tmp_path / "strip.tif", picture(), **STORED["strips"])
    source = shared(open_scan(path)[0], tmp_path).unpacked
    monkeypatch.setattr(unpacked, "_BAND_BYTES", 1)
    begun, go_on, put = threading.Event(), threading.Event(), UnpackedScan._put
    written: list[int] = []

    def slow(self, *args):
        begun.set()
        assert go_on.wait(20)
        put(self, *args)
        written.append(1)

    monkeypatch.setattr(UnpackedScan, "_put", slow)
    with ThreadPoolExecutor(2) as pool:
        decodes = pool.submit(unpacked.decode, source)
        assert begun.wait(20)
        closes = pool.submit(source.close)
        assert not closes.done()
        go_on.set()
        closes.result(20)
        decodes.result(20)
    assert source._file.closed
    assert len(written) < ROWS
    # What is closed is not begun again.
    source.decode()
    assert not source._is_unpacked()


def test_a_disk_that_fails_is_one_sentence(tmp_path, monkeypatch, shared):
    path = write(tmp_path / "strip.tif", picture(), **STORED["strips"])
    source = shared(open_scan(path)[0], tmp_path)
    read_codes(source, (0, 9), (0, 9))

    def fail(*_):
        raise OSError(errno.EIO, "input/output error")

    monkeypatch.setattr(stored.os, "preadv", fail)
    with pytest.raises(OutputProblem):
        read_codes(source, (0, 9), (0, 9))


def test_large_strips_are_streamed_into_it(tmp_path, monkeypatch, decoded, shared):
    monkeypatch.setattr(deflate_stream, "_LEAST_BYTES", 1)
    monkeypatch.setattr(unpacked, "_BAND_BYTES", 3000)
    for name in ("one strip", "differences, big-endian"):
        path = write(tmp_path / "strip.tif", picture(), **STORED[name])
        source = shared(open_scan(path)[0], tmp_path)
        for rows, columns, codes in read_by_many(source):
            assert_array_equal(codes, picture()[rows, columns])
    assert not decoded
