"""The noise of a scan's darkest places, against what was added to it."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.scan.scan import Scan, dark_places, open_scan, reduce

NOISE = np.array([0.0004, 0.0006, 0.001])
DARK = 0.006


def written(path: Path, light: np.ndarray, gamma: float = 1.0) -> Scan:
    codes = np.rint(65535.0 * np.clip(light, 0.0, 1.0) ** (1 / gamma)).astype(np.uint16)
    tifffile.imwrite(path, codes, photometric="rgb")
    return open_scan(path, gamma=gamma)[0]


def film_in_holder(dark: float = DARK) -> np.ndarray:
    """Return a grainy picture in a holder that lets no light through, with a scanner's noise."""
    rng = np.random.default_rng(2)
    light = np.full((400, 900, 3), dark)
    picture = 10.0 ** -rng.normal(0.8, 0.08, (300, 700, 3)) + np.linspace(0, 0.3, 700)[:, None]
    light[50:350, 100:800] += picture
    return light + rng.normal(0.0, 1.0, light.shape) * NOISE


@pytest.mark.parametrize("gamma", [1.0, 2.2])
def test_noise_is_that_of_the_darkest_places_whatever_is_in_the_picture(tmp_path, gamma):
    scan = written(tmp_path / "a.tif", film_in_holder(), gamma)
    assert dark_places(scan).noise == pytest.approx(NOISE, rel=0.1)


def test_black_that_is_cut_off_does_not_hide_the_noise(tmp_path):
    noise = dark_places(written(tmp_path / "a.tif", film_in_holder(0.0))).noise
    # Of a bell cut in half, what is left scatters less.
    assert (noise > 0.4 * NOISE).all()
    assert (noise < 1.2 * NOISE).all()


def test_the_darkest_light_is_that_of_tape_darker_than_the_holder(tmp_path):
    light = film_in_holder()
    plain = dark_places(written(tmp_path / "a.tif", light)).light
    assert (np.abs(plain - DARK) < 0.25 * NOISE).all()
    light[150:250, 200:300] = DARK / 2 + 0.001 * np.random.default_rng(4).random((100, 100, 1))
    found = dark_places(written(tmp_path / "b.tif", light)).light
    assert found == pytest.approx(DARK / 2 + 0.0005, abs=3e-4)


def test_a_scan_without_noise_has_none_and_a_tiny_one_tells_none(tmp_path):
    even = np.full((100, 200, 3), 0.01) + np.linspace(0, 0.5, 200)[:, None]
    assert (dark_places(written(tmp_path / "a.tif", even)).noise < 1e-5).all()
    tiny = dark_places(written(tmp_path / "b.tif", film_in_holder()[:8, :8]))
    assert not tiny.noise.any()
    assert np.isinf(tiny.light).all()


@pytest.mark.parametrize("factor", [3, 50])
def test_who_reduces_a_scan_sees_its_darkest_places_on_the_way(tmp_path, factor):
    scan = written(tmp_path / "a.tif", film_in_holder(), 2.2)
    told, seen = dark_places(scan), reduce(scan, factor).dark
    assert (seen.light == told.light).all()
    assert (seen.noise == told.noise).all()


def test_darkest_places_that_are_known_are_not_read_again(tmp_path):
    scan = written(tmp_path / "a.tif", film_in_holder())
    known = replace(scan, dark=reduce(scan, 4).dark)
    scan.path.unlink()
    assert dark_places(known) is known.dark
