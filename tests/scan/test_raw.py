"""Camera raw in bands, against the developer's own whole picture."""

from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from pipeline.scan import raw as bands
from pipeline.scan.scan import open_scan, opened

ROWS, COLUMNS = 700, 96
PATTERNS = [(0, 1, 1, 2), (1, 0, 2, 1), (1, 2, 0, 1), (2, 1, 1, 0)]
SENSOR = (0.8, -0.2, -0.1, -0.4, 1.2, 0.25, -0.05, 0.15, 0.6)


def write(path: Path, *, pattern=PATTERNS[0], black=(0, 0, 0, 0), white=65535, area=None, seed=2):
    """Write a DNG of grainy stripes at a slant, some of them beyond full scale."""
    dice = np.random.default_rng(seed)
    down, along = np.mgrid[:ROWS, :COLUMNS]
    light = 0.5 + 0.4 * np.sin(along / 3.0 + down / 11.0) + dice.normal(0, 0.05, (ROWS, COLUMNS))
    least = max(1, min(black))
    codes = np.clip(least + light * (white - least), least, 65535).astype(np.uint16)
    tags = [
        (50706, 1, 4, (1, 4, 0, 0), True), (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, pattern, True), (50708, 2, 0, "A sensor", True),
        (50713, 3, 2, (2, 2), True), (50714, 4, 4, black, True), (50717, 4, 1, white, True),
        (50721, 10, 9, tuple(n for v in SENSOR for n in (round(v * 10000), 10000)), True),
        (50778, 3, 1, 21, True),
    ]  # fmt: skip
    if area is not None:
        tags.append((50829, 4, 4, area, True))
    tifffile.imwrite(path, codes, photometric="cfa", extratags=tags, metadata=None)
    return path


def developed(path: Path) -> np.ndarray:
    with rawpy.imread(str(path)) as raw:
        return raw.postprocess(
            gamma=(1, 1), no_auto_bright=True, adjust_maximum_thr=0.0, output_bps=16,
            output_color=rawpy.ColorSpace.raw, user_wb=[1, 1, 1, 1], user_flip=0,
        )  # fmt: skip


@pytest.fixture(autouse=True)
def _several_bands(monkeypatch):
    monkeypatch.setattr(bands, "_BAND_PIXELS", 111 * COLUMNS)


WAYS = {
    **{f"pattern {k}": {"pattern": pattern} for k, pattern in enumerate(PATTERNS)},
    "levels": {"black": (512, 512, 512, 512), "white": 15000},
    "levels by channel": {"black": (500, 512, 515, 530), "white": 4095 * 4},
    "within rows and columns": {"area": (3, 5, ROWS - 4, COLUMNS - 2)},
}


@pytest.mark.parametrize("way", WAYS)
def test_bands_are_those_of_the_whole(tmp_path, way):
    path = write(tmp_path / "strip.dng", **WAYS[way])
    whole = developed(path)
    (scan,) = open_scan(path)
    assert (scan.height, scan.width) == whole.shape[:2]
    with opened(scan, in_order=True) as reader:
        assert isinstance(reader, bands.RawBands)
        codes = reader.codes((0, scan.height), (0, scan.width))
    # Between two directions that are as even the last bit of the sensor's matrix decides.
    assert np.mean((codes != whole).any(axis=2)) < 1e-4


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(top=st.integers(0, ROWS - 1), high=st.integers(1, 400), left=st.integers(0, COLUMNS - 1))
def test_windows_come_in_any_order(tmp_path, top, high, left):
    path = tmp_path / "strip.dng"
    if not path.exists():
        write(path)
    (scan,) = open_scan(path)
    rows = top, min(ROWS, top + high)
    with opened(scan) as reader:
        last = reader.codes((ROWS - 3, ROWS), (0, COLUMNS))
        assert_array_equal(
            reader.codes(rows, (left, COLUMNS)), developed(path)[slice(*rows), left:]
        )
    assert_array_equal(last, developed(path)[ROWS - 3 :])


def test_samples_that_were_never_taken_are_left_to_the_developer(tmp_path):
    path = write(tmp_path / "strip.dng", black=(512, 512, 512, 512))
    with tifffile.TiffFile(path, mode="r+b") as file:
        start = file.pages[0].dataoffsets[0]
    with path.open("rb+") as handle:
        handle.seek(start + 2 * (40 * COLUMNS + 40))
        handle.write(bytes(2))
    (scan,) = open_scan(path)
    with opened(scan) as reader:
        assert not isinstance(reader, bands.RawBands)
        assert_array_equal(reader.codes((0, ROWS), (0, COLUMNS)), developed(path))
