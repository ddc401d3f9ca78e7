"""Stored codes as planes: rows that lie densely in memory, beside numpy and codes in any order."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.render.cut import fill_from_rows, fill_planes, is_dense
from pipeline.scan import open_scan


@pytest.mark.parametrize("as_codes", [False, True])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_dense_rows_are_the_planes_of_their_codes(tmp_path: Path, kind, as_codes):
    full = np.iinfo(kind).max
    codes = np.random.default_rng(2).integers(0, full + 1, (9, 101, 3)).astype(kind)
    tifffile.imwrite(tmp_path / "a.tif", codes, photometric="rgb")
    (scan,) = open_scan(tmp_path / "a.tif", gamma=1.0)
    assert is_dense(scan, codes, as_codes)
    planes = np.full((3, 12, 70), -1.0, np.float32)
    fill_from_rows(scan, codes[2:7], 13, planes, 4, as_codes)
    window = codes[2:7, 13:83]
    told = np.moveaxis(window, 2, 0) / (1.0 if as_codes else float(full))
    assert planes[:, 4:9] == pytest.approx(told, rel=1e-6)
    assert (planes[:, :4] == -1.0).all()
    assert (planes[:, 9:] == -1.0).all()
    in_any_order = np.empty((3, 5, 70), np.float32)
    fill_planes(scan, window, in_any_order, as_codes)
    assert (in_any_order == planes[:, 4:9]).all()


def test_what_is_turned_curved_or_has_more_samples_is_not_dense(tmp_path: Path):
    codes = np.zeros((9, 11, 3), np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", codes, photometric="rgb")
    (scan,) = open_scan(tmp_path / "a.tif", gamma=1.0)
    curved = replace(scan, encoding=open_scan(tmp_path / "a.tif", gamma=2.2)[0].encoding)
    assert is_dense(scan, codes, False)
    assert not is_dense(scan, codes.transpose(1, 0, 2), False)
    assert not is_dense(scan, codes[::-1], False)
    assert not is_dense(scan, np.zeros((9, 11, 4), np.uint16)[..., :3], False)
    assert not is_dense(scan, codes.astype(np.float32), False)
    assert not is_dense(curved, codes, False)
    assert is_dense(curved, codes, True)
