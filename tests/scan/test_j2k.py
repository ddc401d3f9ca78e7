"""JPEG 2000 in tiles, against the decode of the whole."""

import imagecodecs
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal
from PIL import Image

from pipeline.problem import ScanProblem
from pipeline.scan.scan import open_scan, opened, reduce

ROWS, COLUMNS = 83, 117
WAYS = {
    "reversible": {"tile_size": (32, 40)},
    "irreversible": {"tile_size": (40, 32), "irreversible": True, "quality_layers": [4]},
    "no box": {"tile_size": (64, 64), "no_jp2": True},
    "layers and levels": {"tile_size": (64, 32), "quality_layers": [20, 4], "num_resolutions": 3},
    "lengths": {"tile_size": (32, 32), "plt": True},
}


def data() -> np.ndarray:
    noise = np.random.default_rng(3).integers(0, 256, (12, 12, 3), np.uint8)
    return np.asarray(Image.fromarray(noise).resize((COLUMNS, ROWS), Image.Resampling.BICUBIC))


def written(path, way: str) -> np.ndarray:
    Image.fromarray(data()).save(path, format="JPEG2000", **WAYS[way])
    return np.asarray(imagecodecs.jpeg2k_decode(path.read_bytes()))


@pytest.mark.parametrize("way", WAYS)
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(corners=st.data())
def test_windows_are_those_of_the_whole(tmp_path, way, corners):
    path = tmp_path / "strip.jp2"
    whole = written(path, way)
    (scan,) = open_scan(path)
    assert scan.block == WAYS[way]["tile_size"][::-1]
    assert scan.container.in_parts
    with opened(scan) as reader:
        for _ in range(3):
            rows, columns = (
                sorted(corners.draw(st.sets(st.integers(0, high), min_size=2, max_size=2)))
                for high in whole.shape[:2]
            )
            codes = reader.codes(tuple(rows), tuple(columns))
            assert_array_equal(codes, whole[slice(*rows), slice(*columns)])


def test_bands_decode_each_tile_once(tmp_path, monkeypatch):
    path = tmp_path / "strip.jp2"
    whole = written(path, "reversible")
    decode, seen = imagecodecs.jpeg2k_decode, []
    monkeypatch.setattr(
        imagecodecs, "jpeg2k_decode", lambda packed: (seen.append(1), decode(packed))[1]
    )
    (scan,) = open_scan(path)
    with opened(scan, in_order=True) as reader:
        bands = [reader.codes((k, min(k + 7, ROWS)), (0, COLUMNS)) for k in range(0, ROWS, 7)]
    assert_array_equal(np.concatenate(bands), whole)
    assert len(seen) == 4 * 3


def test_one_tile_is_decoded_as_a_whole(tmp_path):
    path = tmp_path / "strip.jp2"
    Image.fromarray(data()).save(path, irreversible=False)
    (scan,) = open_scan(path)
    assert not scan.container.in_parts
    assert scan.block == (ROWS, COLUMNS)


@pytest.mark.parametrize("kept", [0.3, 0.9])
def test_a_missing_tile_is_told(tmp_path, kept):
    path = tmp_path / "strip.j2k"
    written(path, "no box")
    packed = path.read_bytes()
    path.write_bytes(packed[: int(kept * len(packed))])
    with pytest.raises(ScanProblem, match=r"strip\.j2k: is damaged"):
        reduce(open_scan(path)[0], 4)
