"""Stored codes as planes, however they lie in memory, beside numpy."""

from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.render.cut import fill_planes
from pipeline.scan import dense_codes, open_scan

CODES = np.random.default_rng(2).integers(0, 1 << 16, (9, 101, 4)).astype(np.uint16)
DENSE = {
    "plain": CODES[..., :3].copy(),
    "a fourth sample": CODES[..., :3],
    "upside down": CODES[::-1, :, :3].copy()[::-1],
    "mirrored": CODES[:, ::-1, :3],
    "turned by half": CODES[..., :3].copy()[::-1, ::-1],
    "a window": CODES[2:7, 13:83, :3],
    "a mirrored window": CODES[::-1, ::-1, :3][1:8, 5:44],
    "one pixel": CODES[3:4, 7:8, :3],
    "a column, mirrored": CODES[::-1, 20:21, :3],
}
LOOSE = {
    "turned by a quarter": CODES[..., :3].copy().transpose(1, 0, 2),
    "planes": np.moveaxis(np.moveaxis(CODES[..., :3], 2, 0).copy(), 0, 2),
    "a fifth sample": np.repeat(CODES, 2, axis=2)[..., :3],
    "channels turned": CODES[..., 2::-1],
}


@pytest.mark.parametrize("as_codes", [False, True])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("name", [*DENSE, *LOOSE])
def test_planes_are_those_of_codes_however_they_lie(tmp_path: Path, name, kind, as_codes):
    codes = {**DENSE, **LOOSE}[name]
    if kind == np.uint8:
        codes = codes.astype(np.uint8, order="K")
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((3, 3, 3), kind), photometric="rgb")
    (scan,) = open_scan(tmp_path / "a.tif", gamma=1.0)
    planes = np.full((3, len(codes) + 7, codes.shape[1]), -1.0, np.float32)
    fill_planes(scan, codes, planes, 4, as_codes)
    told = np.moveaxis(codes, 2, 0) / (1.0 if as_codes else float(np.iinfo(kind).max))
    assert planes[:, 4:-3] == pytest.approx(told, rel=1e-6)
    assert (planes[:, :4] == -1.0).all()
    assert (planes[:, -3:] == -1.0).all()


@pytest.mark.parametrize("name", [*DENSE, *LOOSE])
def test_pixels_that_lie_side_by_side_are_seen_to(name):
    found = dense_codes({**DENSE, **LOOSE}[name])
    assert (found is not None) == (name in DENSE)
    if found is None:
        return
    memory, first, down, along = found
    codes = DENSE[name]
    row, column, channel = (each.ravel() for each in np.indices(codes.shape))
    assert (memory[first + row * down + column * along + channel] == codes.ravel()).all()
