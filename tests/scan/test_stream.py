"""Deflated data in order against the standard library's zlib, large strips against their codes."""

import tracemalloc
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from isal import isal_zlib
from numpy.testing import assert_array_equal

from pipeline.problem import ScanProblem
from pipeline.scan import stream as deflate_stream
from pipeline.scan import tiff
from pipeline.scan.decoders import decoder_of
from pipeline.scan.lzw import LzwDecoder
from pipeline.scan.scan import open_scan, opened, reduce
from pipeline.scan.stream import DataEndError, Unfolded
from tests.scan.test_tiff import COLUMNS, ROWS, picture, write

NUMBERS = {"lzma": 34925, "zstd": 50000, "packbits": 32773}
SCHEMES = ["zlib", "lzw", "lzma", "zstd", "packbits"]
STORED = {
    "one strip": {},
    "strips": {"rowsperstrip": 20},
    "differences": {"predictor": True},
    "differences, big-endian, strips": {"predictor": True, "byteorder": ">", "rowsperstrip": 30},
    "separate planes": {"planarconfig": "separate"},
    "separate planes, differences": {
        "planarconfig": "separate", "predictor": True, "rowsperstrip": 50,
    },
}  # fmt: skip


def pieces(data: bytes, size: int):
    return (data[at : at + size] for at in range(0, len(data), size))


def in_pieces(stream: Unfolded, size: int, data) -> bytes:
    """Return so many bytes of a stream, taken in pieces of any length."""
    got, at = np.zeros(size, np.uint8), 0
    while at < size:
        count = data.draw(st.integers(1, size - at))
        stream.fill(got[at : at + count])
        at += count
    return got.tobytes()


@given(st.binary(max_size=3000), st.integers(1, 700), st.data())
def test_it_is_what_zlib_unfolds(plain: bytes, size: int, data):
    repeated = plain * data.draw(st.integers(1, 20))
    stream = Unfolded(pieces(zlib.compress(repeated, data.draw(st.integers(0, 9))), size))
    assert in_pieces(stream, len(repeated), data) == repeated
    assert stream.end()


RUNS = st.lists(st.tuples(st.binary(min_size=1, max_size=40), st.integers(1, 900)), max_size=40)


@given(RUNS, st.integers(1, 700), st.data())
def test_lzw_is_what_imagecodecs_packed(words, size: int, data):
    plain = b"".join(word * times for word, times in words) + b"end"
    stream = Unfolded(pieces(imagecodecs.lzw_encode(plain), size), LzwDecoder())
    assert in_pieces(stream, len(plain), data) == plain
    assert stream.end()


def test_lzw_fills_its_table_and_empties_it():
    noise = np.random.default_rng(5).integers(0, 256, 1 << 20, np.uint8)
    packed = imagecodecs.lzw_encode(noise.tobytes())
    got = np.zeros_like(noise)
    Unfolded(pieces(packed, 256 << 10), LzwDecoder()).fill(got)
    assert_array_equal(got, noise)


@given(RUNS, st.integers(1, 700), st.sampled_from(["lzma", "zstd", "packbits"]), st.data())
def test_other_ways_are_what_imagecodecs_packed(words, size: int, way: str, data):
    plain = b"".join(word * times for word, times in words) + b"end"
    packed = getattr(imagecodecs, f"{way}_encode")(plain)
    stream = Unfolded(pieces(packed, size), decoder_of(NUMBERS[way]))
    assert in_pieces(stream, len(plain), data) == plain
    assert stream.end() or way == "packbits"


@given(st.binary(min_size=1, max_size=400), st.sampled_from(["lzma", "zstd", "packbits"]))
def test_nonsense_is_told_or_ends(packed: bytes, way: str):
    with pytest.raises(Exception, match=r"."):
        Unfolded(pieces(packed, 7), decoder_of(NUMBERS[way])).fill(np.zeros(1 << 16, np.uint8))


@given(st.binary(min_size=1, max_size=400))
def test_lzw_of_nonsense_is_told_or_ends(packed: bytes):
    try:
        Unfolded(pieces(packed, 7), LzwDecoder()).fill(np.zeros(1 << 16, np.uint8))
    except (DataEndError, ValueError):
        pass
    else:
        pytest.fail("it made more than it can hold")


def test_several_rows_are_filled_at_once():
    plain = np.random.default_rng(1).integers(0, 9, (700, 5000), np.uint8)
    got = np.zeros_like(plain)
    Unfolded(pieces(zlib.compress(plain.tobytes()), 1000)).fill(got)
    assert_array_equal(got, plain)


def test_data_that_end_too_early_or_late_are_told():
    packed = zlib.compress(bytes(1000))
    with pytest.raises(DataEndError):
        Unfolded(pieces(packed, 3)).fill(np.zeros(1001, np.uint8))
    with pytest.raises(DataEndError):
        Unfolded(pieces(packed[:-8], 3)).fill(np.zeros(1001, np.uint8))
    early = Unfolded(pieces(packed, 3))
    early.fill(np.zeros(999, np.uint8))
    assert not early.end()
    cut = Unfolded(pieces(packed[:-2], 3))
    cut.fill(np.zeros(1000, np.uint8))
    assert not cut.end()


def test_a_wrong_check_is_refused():
    packed = bytearray(zlib.compress(bytes(1000)))
    packed[-1] ^= 1
    stream = Unfolded(pieces(bytes(packed), 100))

    def read():
        stream.fill(np.zeros(1000, np.uint8))
        stream.end()

    with pytest.raises(isal_zlib.error):
        read()


@pytest.fixture(autouse=True)
def _streamed(monkeypatch):
    monkeypatch.setattr(deflate_stream, "_LEAST_BYTES", 1)


@pytest.fixture
def decoded(monkeypatch) -> list[int]:
    """Return the list of strips that are decoded whole, which grows."""
    seen: list[int] = []
    decode = tifffile.TiffPage.decode.func

    def counting(page):
        function = decode(page)
        return lambda data, index, **options: (
            seen.append(index),
            function(data, index, **options),
        )[1]

    monkeypatch.setattr(tifffile.TiffPage, "decode", property(counting))
    return seen


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("name", STORED)
def test_bands_in_order_are_those_written(tmp_path, name, kind, scheme, decoded):
    path = write(tmp_path / "strip.tif", picture(kind), compression=scheme, **STORED[name])
    (scan,) = open_scan(path)
    for columns in ((0, COLUMNS), (17, 90)):
        with opened(scan, in_order=True) as reader:
            bands = [reader.codes((top, min(top + 7, ROWS)), columns) for top in range(0, ROWS, 7)]
        assert_array_equal(np.concatenate(bands), picture(kind)[:, slice(*columns)])
        assert bands[0].dtype == kind
    assert not decoded


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("name", STORED)
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(spans=st.lists(st.tuples(st.integers(0, ROWS - 1), st.integers(1, 40)), max_size=5))
def test_rows_out_of_order_are_right_too(tmp_path, name, scheme, spans):
    path = tmp_path / "strip.tif"
    if not path.exists():
        write(path, picture(), compression=scheme, **STORED[name])
    (scan,) = open_scan(path)
    with opened(scan, in_order=True) as reader:
        for top, high in spans:
            rows = top, min(ROWS, top + high)
            assert_array_equal(reader.codes(rows, (3, 50)), picture()[slice(*rows), 3:50])


def test_four_samples_and_floats(tmp_path, decoded):
    path = write(tmp_path / "a.tif", picture(samples=4), compression="zlib", extrasamples=[0])
    (scan,) = open_scan(path)
    with opened(scan, in_order=True) as reader:
        codes, plane = reader.both((5, 60), (2, 80))
    assert_array_equal(codes, picture(samples=4)[5:60, 2:80, :3])
    assert_array_equal(plane, picture(samples=4)[5:60, 2:80, 3])
    light = np.random.default_rng(3).random((ROWS, COLUMNS, 3)).astype(np.float32)
    (scan,) = open_scan(write(tmp_path / "b.tif", light, compression="zlib"))
    with opened(scan, in_order=True) as reader:
        assert_array_equal(reader.codes((0, ROWS), (0, COLUMNS)), light)
    assert not decoded


@pytest.mark.parametrize(
    "options",
    [
        {"compression": "lzw", "tile": (32, 32)},
        {"compression": "zlib", "tile": (32, 32)},
        {"compression": "zstd", "tile": (32, 32)},
    ],
)
def test_what_can_not_be_streamed_is_decoded_whole(tmp_path, options, decoded):
    (scan,) = open_scan(write(tmp_path / "strip.tif", picture(), **options))
    with opened(scan, in_order=True) as reader:
        assert_array_equal(reader.codes((0, ROWS), (0, COLUMNS)), picture())
    assert decoded


def packed_otherwise(path: Path, change) -> Path:
    """Write a strip, and put other data in its place at the end of the file."""
    write(path, picture(), compression="zlib")
    with tifffile.TiffFile(path, mode="r+b") as file:
        page = file.pages[0]
        start, size = page.dataoffsets[0], page.databytecounts[0]
        data = change(path.read_bytes()[start : start + size])
        page.tags["StripOffsets"].overwrite(path.stat().st_size)
        page.tags["StripByteCounts"].overwrite(len(data))
    with path.open("ab") as handle:
        handle.write(data)
    return path


def _longer(data: bytes) -> bytes:
    return zlib.compress(zlib.decompress(data) + bytes(1 << 20))


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data[: len(data) // 2],
        lambda data: data[:-3] + b"abc",
        lambda data: data[: len(data) // 2] + bytes(40) + data[len(data) // 2 + 40 :],
        _longer,
    ],
    ids=["short", "wrong check", "damaged", "too long"],
)
def test_damaged_strips_are_one_sentence(tmp_path, change):
    (scan,) = open_scan(packed_otherwise(tmp_path / "strip.tif", change))
    with pytest.raises(ScanProblem, match=r"strip\.tif: is damaged"):
        reduce(scan, 4)


def test_a_file_cut_short_after_it_was_described_is_told(tmp_path):
    path = write(tmp_path / "strip.tif", picture(), compression="zlib")
    (scan,) = open_scan(path)
    with tiff.opened(path, scan, in_order=True) as reader:
        with path.open("rb+") as handle:
            handle.truncate(path.stat().st_size // 2)
        with pytest.raises(ScanProblem, match="cut short"):
            reader.codes((0, ROWS), (0, COLUMNS))


@pytest.mark.parametrize("scheme", SCHEMES)
def test_a_picture_in_one_strip_is_reduced_in_little_memory(tmp_path, scheme):
    # 144 MB of codes.
    noise = np.random.default_rng(2).integers(0, 65536, (6000, 4, 3), np.uint16)
    data = np.repeat(noise, 1000, axis=1)
    path = write(tmp_path / "strip.tif", data, compression=scheme, rowsperstrip=6000)
    del data
    (scan,) = open_scan(path)
    tracemalloc.start()
    try:
        reduce(scan, 16)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 60e6
