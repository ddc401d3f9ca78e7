"""PNG row by row, against libpng (imagecodecs) on files of every filter."""

import struct
import tracemalloc
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from pipeline.problem import ScanProblem
from pipeline.scan.scan import open_scan, opened, reduce
from tests.scan.test_raster import COLUMNS, ROWS, picture

# PNG, third edition, 11.2.1: kinds of colour by their samples.
KIND = {3: 2, 4: 6}


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def packed_png(size, bits: int, samples: int, lines: bytes, cut: int = 1000, interlace: int = 0):
    """Return a PNG of filtered lines, whose data are cut into chunks."""
    head = struct.pack(">IIBBBBB", size[1], size[0], bits, KIND[samples], 0, 0, interlace)
    data = zlib.compress(lines, 1)
    parts = (data[at : at + cut] for at in range(0, len(data), cut))
    return b"".join(
        [
            b"\x89PNG\r\n\x1a\n",
            chunk(b"IHDR", head),
            chunk(b"tEXt", b"Title\0a scan"),
            *(chunk(b"IDAT", part) for part in parts),
            chunk(b"tIME", bytes(7)),
            chunk(b"IEND", b""),
        ]
    )


def any_lines(size, pixel: int, filters, seed: int) -> bytes:
    """Return lines of random bytes, which are a picture whatever their filters."""
    lines = np.random.default_rng(seed).integers(0, 256, (size[0], 1 + size[1] * pixel), np.uint8)
    lines[:, 0] = [filters[row % len(filters)] for row in range(size[0])]
    return lines.tobytes()


# PNG, third edition, 8.2: first column and row of each pass, and steps across and down.
PASSES = (
    (0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)
)  # fmt: skip


def interlaced_lines(size, pixel: int, filters, seed: int) -> bytes:
    """Return the lines of all passes of a picture, of random bytes."""
    lines = b""
    for number, (left, top, across, down) in enumerate(PASSES):
        inner = -(-(size[0] - top) // down), -(-(size[1] - left) // across)
        if min(inner) > 0:
            lines += any_lines(inner, pixel, filters, seed + number)
    return lines


@pytest.mark.parametrize("interlace", [0, 1])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("samples", [3, 4])
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    size=st.tuples(st.integers(1, 30), st.integers(1, 30)),
    filters=st.lists(st.integers(0, 4), min_size=1, max_size=6),
    seed=st.integers(0, 99),
    cut=st.integers(1, 500),
    data=st.data(),
)
def test_it_is_what_libpng_decodes(
    tmp_path, interlace, bits, samples, size, filters, seed, cut, data
):
    path = tmp_path / "strip.png"
    make = interlaced_lines if interlace else any_lines
    lines = make(size, samples * bits // 8, filters, seed)
    path.write_bytes(packed_png(size, bits, samples, lines, cut, interlace=interlace))
    whole = imagecodecs.png_decode(path.read_bytes())[..., :3]
    (scan,) = open_scan(path)
    with opened(scan, in_order=True) as reader:
        # Windows in any order, though it is made for rows in order.
        for _ in range(3):
            rows, columns = (
                sorted(data.draw(st.sets(st.integers(0, high), min_size=2, max_size=2)))
                for high in size
            )
            codes = reader.codes(tuple(rows), tuple(columns))
            assert codes.dtype == whole.dtype
            assert_array_equal(codes, whole[slice(*rows), slice(*columns)])


def good(interlace: int = 0) -> bytes:
    make = interlaced_lines if interlace else any_lines
    lines = make((ROWS, COLUMNS), 6, range(5), 2)
    return packed_png((ROWS, COLUMNS), 16, 3, lines, interlace=interlace)


@pytest.mark.parametrize("interlace", [0, 1])
def test_every_damage_is_one_sentence(tmp_path, interlace):
    path = tmp_path / "strip.png"
    sound = good(interlace)
    path.write_bytes(sound)
    (scan,) = open_scan(path)
    start = sound.index(b"IDAT") + 4
    for at in range(start, len(sound) - 40, 97):
        data = bytearray(sound)
        data[at] ^= 0x55
        path.write_bytes(data)
        with pytest.raises(ScanProblem, match=r"strip\.png: is (damaged|cut short)"):
            reduce(scan, 4)


@pytest.mark.parametrize("size", [20, 33, 60, 5000, len(good()) - 60])
def test_a_file_cut_short_is_told(tmp_path, size):
    path = tmp_path / "strip.png"
    path.write_bytes(good())
    (scan,) = open_scan(path)
    path.write_bytes(good()[:size])
    with pytest.raises(ScanProblem, match=r"strip\.png: is "):
        reduce(scan, 4)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (b"\x05" + bytes(6 * COLUMNS), "unknown filter"),
        (bytes(1 + 6 * COLUMNS), "end too early"),
    ],
)
def test_data_that_are_no_picture_are_refused(tmp_path, lines, said):
    path = tmp_path / "strip.png"
    count = ROWS if lines[0] else ROWS - 1
    path.write_bytes(packed_png((ROWS, COLUMNS), 16, 3, lines * count))
    (scan,) = open_scan(path)
    with pytest.raises(ScanProblem, match=said):
        reduce(scan, 4)


def test_another_picture_in_its_place_is_refused(tmp_path):
    path = tmp_path / "strip.png"
    path.write_bytes(good())
    (scan,) = open_scan(path)
    path.write_bytes(imagecodecs.png_encode(picture()[:20]))
    with pytest.raises(ScanProblem, match="not the picture"):
        reduce(scan, 4)


@pytest.mark.parametrize("interlace", [0, 1])
def test_a_large_picture_is_reduced_in_little_memory(tmp_path: Path, interlace):
    # 144 MB of codes.
    path = tmp_path / "strip.png"
    size = (6000, 4000)
    if interlace:
        inner = [(-(-(6000 - y) // down), -(-(4000 - x) // step)) for x, y, step, down in PASSES]
        lines = bytes(sum(rows * (1 + 6 * columns) for rows, columns in inner))
        path.write_bytes(packed_png(size, 16, 3, lines, interlace=1))
    else:
        path.write_bytes(imagecodecs.png_encode(np.zeros((*size, 3), np.uint16), level=1))
    (scan,) = open_scan(path)
    tracemalloc.start()
    try:
        reduce(scan, 16)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 60e6
