"""JPEG row by row, against Pillow's whole decode."""

import io
import subprocess
import sys

import imagecodecs
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal
from PIL import Image

from pipeline.problem import ScanProblem
from pipeline.scan import container, jpeg
from pipeline.scan.scan import open_scan, opened, reduce

WAYS = {
    "4:2:0": {},
    "4:2:2": {"subsampling": 1},
    "4:4:4": {"subsampling": 0},
    "progressive": {"progressive": True},
    "progressive 4:4:4": {"progressive": True, "subsampling": 0},
    "restarts": {"restart_marker_rows": 1},
    "rgb": {"keep_rgb": True},
    "own tables": {"optimize": True, "quality": 30},
}


def coded(size, seed: int = 0, **options) -> bytes:
    """Return a JPEG of soft noise, (columns, rows)."""
    small = (max(1, size[0] // 4), max(1, size[1] // 4))
    noise = np.random.default_rng(seed).integers(0, 256, (small[1], small[0], 3), np.uint8)
    data = io.BytesIO()
    Image.fromarray(noise).resize(size, Image.Resampling.BICUBIC).save(data, "JPEG", **options)
    return data.getvalue()


@pytest.mark.parametrize("way", WAYS)
@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    size=st.tuples(st.integers(1, 90), st.integers(1, 90)),
    seed=st.integers(0, 99),
    data=st.data(),
)
def test_rows_are_those_of_the_whole_decode(tmp_path, way, size, seed, data):
    path = tmp_path / "strip.jpg"
    path.write_bytes(coded(size, seed, **WAYS[way]))
    whole = np.asarray(Image.open(path))
    (scan,) = open_scan(path)
    with opened(scan, in_order=True) as reader:
        assert isinstance(reader, jpeg.JpegRows)
        # Windows in any order, though it is made for rows in order.
        for _ in range(3):
            rows, columns = (
                sorted(data.draw(st.sets(st.integers(0, high), min_size=2, max_size=2)))
                for high in whole.shape[:2]
            )
            codes = reader.codes(tuple(rows), tuple(columns))
            assert_array_equal(codes, whole[slice(*rows), slice(*columns)])
            assert codes.flags.writeable


def test_a_turn_is_told_and_not_carried_out(tmp_path):
    path = tmp_path / "strip.jpg"
    exif = Image.Exif()
    exif[274] = 6
    path.write_bytes(coded((60, 40), exif=exif))
    (scan,) = open_scan(path)
    assert (scan.orientation, scan.width, scan.height) == (6, 60, 40)
    with opened(scan, in_order=True) as reader:
        assert_array_equal(reader.codes((0, 40), (0, 60)), np.asarray(Image.open(path)))


@pytest.mark.parametrize("way", ["4:2:0", "progressive"])
def test_a_file_cut_short_is_told(tmp_path, way, capfd):
    path = tmp_path / "strip.jpg"
    whole = coded((400, 900), **WAYS[way])
    path.write_bytes(whole)
    (scan,) = open_scan(path)
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ScanProblem, match=r"strip\.jpg: is damaged"):
        reduce(scan, 4)
    assert capfd.readouterr() == ("", "")


def test_another_picture_in_its_place_is_refused(tmp_path):
    path = tmp_path / "strip.jpg"
    path.write_bytes(coded((60, 40)))
    (scan,) = open_scan(path)
    path.write_bytes(coded((64, 40)))
    with pytest.raises(ScanProblem, match="not the picture"):
        reduce(scan, 4)


def test_one_that_is_read_again_is_the_one_that_lies_there(tmp_path):
    path = tmp_path / "strip.jpg"
    for seed in (1, 2):
        path.write_bytes(coded((60, 40), seed))
        (scan,) = open_scan(path)
        with opened(scan, in_order=True) as reader:
            assert_array_equal(reader.codes((0, 40), (0, 60)), np.asarray(Image.open(path)))


def test_what_holds_all_coefficients_is_told(tmp_path, monkeypatch):
    # Two bytes for each of three samples a pixel, in blocks of 8 x 8 (ITU-T T.81, G.1.1).
    path = tmp_path / "strip.jpg"
    path.write_bytes(coded((80, 40), progressive=True, subsampling=0))
    monkeypatch.setattr(container, "_TOLD_BYTES", 6 * 80 * 40)
    (scan,) = open_scan(path)
    assert scan.held_bytes == 6 * 80 * 40
    assert any("of memory to decode" in note for note in scan.notes)
    path.write_bytes(coded((80, 40), progressive=True))
    (scan,) = open_scan(path)
    assert scan.held_bytes == 3 * 80 * 40
    assert not any("of memory to decode" in note for note in scan.notes)
    path.write_bytes(coded((80, 40), subsampling=0))
    assert open_scan(path)[0].held_bytes == 0


READ = """
import resource, sys
from pathlib import Path
from pipeline.scan import UnpackedScan, open_scan, reduce
small, large = (open_scan(Path(name))[0] for name in sys.argv[1:])
def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
def read(scan):
    reduce(scan, 16)
    unpacked = UnpackedScan(scan, scan.block, scan.path.parent)
    unpacked.decode()
    unpacked.close()
read(small)
before = peak()
read(large)
print(peak() - before)
"""


def test_a_large_one_is_surveyed_and_unpacked_in_little_memory(tmp_path):
    # 144 MB of codes, which the usual library holds in 192 MB.
    for name, size in (("small.jpg", (64, 64)), ("large.jpg", (6000, 8000))):
        Image.new("RGB", size, (120, 80, 60)).save(tmp_path / name)
    words = [sys.executable, "-c", READ, tmp_path / "small.jpg", tmp_path / "large.jpg"]
    grown = int(subprocess.run(words, capture_output=True, text=True, check=True).stdout)
    assert grown * 1024 < 80e6


@pytest.mark.parametrize("bits", [12, 16])
def test_more_than_eight_bits_are_told_and_no_damage(tmp_path, bits):
    """Written by libjpeg: extended sequential of 12 bits, lossless of 16."""
    codes = np.full((16, 24, 3), 900, np.uint16)
    if bits == 12:
        coded = imagecodecs.jpeg8_encode(codes, level=95, bitspersample=12)
    else:
        coded = imagecodecs.ljpeg_encode(codes[..., 0], bitspersample=16)
    (tmp_path / "a.jpg").write_bytes(coded)
    with pytest.raises(ScanProblem, match=f"a JPEG of {bits} bits.*save it as a 16-bit TIFF"):
        open_scan(tmp_path / "a.jpg")
