"""Strips that show no base, their pictures in a holder's windows, over a base scan."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from pipeline.problem import ScanProblem
from pipeline.scan.container import CameraExposure
from pipeline.settings.settings import Settings
from pipeline.strip.lamp import Lamp
from pipeline.survey.clear_film import read_clear_film
from pipeline.survey.scan import survey_scan
from pipeline.survey.strip import StripSurvey
from pipeline.survey.windows import windows

BASE, HOLDER = np.array([0.6, 0.25, 0.12]), 0.002
# Eight pixels a millimetre; windows of pictures of 24 mm across film (ISO 1007), less at each side.
PX_PER_MM, HIDDEN_MM = 8.0, 0.5
FORMATS = {"135": (36.0, 38.0), "135-half": (17.0, 19.0), "135-square": (24.0, 26.0)}


def boxes(format: str, count: int) -> list[tuple[int, int, int, int]]:
    """Return left, top, right, bottom of each window, one past the last."""
    length, pitch = FORMATS[format]
    shown = np.array([0.0, 0.0, length - 2 * HIDDEN_MM, 24.0 - 2 * HIDDEN_MM])
    starts = [np.array([8 + pitch * n, 8.0] * 2) for n in range(count)]
    return [tuple(np.rint((start + shown) * PX_PER_MM).astype(int)) for start in starts]


def lost(shape: tuple[int, ...]) -> np.ndarray:
    """Return the lamp's log10 light (h, w, 1), least in the corners."""
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    return -0.1 * (x * x + 0.5 * y * y)[..., None]


def write(path: Path, light: np.ndarray) -> Path:
    codes = np.rint(np.clip(light + HOLDER, 0, 1) * 65535).astype(np.uint16)
    resolution = (PX_PER_MM * 25.4,) * 2
    tifffile.imwrite(path, codes, photometric="rgb", resolution=resolution, metadata=None)
    return path


def strip_in_windows(
    path: Path, format: str, count: int, shadows: bool = False
) -> tuple[Path, np.ndarray]:
    """Write a strip of which a holder shows the pictures alone; return its density above base.

    Deep shadows along the pictures' middle are as light as base.
    """
    rng = np.random.default_rng(7)
    *_, right, bottom = boxes(format, count)[-1]
    shape = (bottom + 64, right + 64)
    above = np.full((*shape, 3), 9.0)
    for left, top, end, low in boxes(format, count):
        rough = rng.uniform(0.2, 1.3, (6, 9, 3)).astype(np.float32)
        above[top:low, left:end] = cv2.resize(rough, (end - left, low - top))
        if shadows:
            above[top + 60 : low - 60, left:end] = 0.0
    above += rng.normal(0, 0.004, above.shape)
    write(path, BASE * 10.0 ** (lost(shape) - above))
    return path, above


def clear(path: Path, shape: tuple[int, ...], lighter: float = 0.0) -> Path:
    light = BASE * 10.0 ** (lost(shape) + lighter)
    return write(path, light * np.random.default_rng(8).normal(1, 0.004, light.shape))


def surveyed(folder: Path, format: str, count: int) -> tuple[StripSurvey, np.ndarray]:
    path, above = strip_in_windows(folder / "s.tif", format, count)
    film = read_clear_film(clear(folder / "clear.tif", above.shape), None)
    survey = survey_scan(path, Settings(), clear=film)
    assert survey.clear is film
    assert not survey.single
    (strip,) = survey.strips
    return strip, above


@pytest.mark.parametrize(("format", "count"), [("135", 3), ("135-half", 3), ("135-square", 2)])
def test_each_window_is_a_frame_over_the_base_scan(tmp_path, format, count):
    strip, above = surveyed(tmp_path, format, count)
    assert strip.format == format
    assert strip.base.given
    assert strip.habit is None
    assert not strip.absolute
    assert len(strip.frames) == count
    for frame, (left, top, right, bottom) in zip(strip.frames, boxes(format, count), strict=True):
        box = np.array([(left, top), (right, top), (right, bottom), (left, bottom)]) - 0.5
        # Within 0.25 mm.
        assert np.asarray(frame.outline) == pytest.approx(box, abs=0.25 * PX_PER_MM)
        inner = above[top + 8 : bottom - 8, left + 8 : right - 8].reshape(-1, 3)
        # The scanner's own light goes unseen in the base scan: 0.002 of 0.12 is 0.007.
        assert frame.median == pytest.approx(np.median(inner, axis=0), abs=0.02)


def test_shadows_like_base_make_no_gaps_of_the_holders_bars(tmp_path):
    path, above = strip_in_windows(tmp_path / "s.tif", "135", 3, shadows=True)
    film = read_clear_film(clear(tmp_path / "clear.tif", above.shape), None)
    (strip,) = survey_scan(path, Settings(), clear=film).strips
    assert strip.base.given
    for frame, (left, top, right, bottom) in zip(strip.frames, boxes("135", 3), strict=True):
        box = np.array([(left, top), (right, top), (right, bottom), (left, bottom)]) - 0.5
        assert np.asarray(frame.outline) == pytest.approx(box, abs=0.25 * PX_PER_MM)


def test_clear_film_in_a_carrier_that_covers_most_of_the_picture_is_read(tmp_path):
    shape = (400, 600)
    light = BASE * 10.0 ** lost(shape)
    held = np.zeros_like(light)
    held[120:280, 150:450] = light[120:280, 150:450]
    whole, part = (
        read_clear_film(write(tmp_path / f"{name}.tif", each), None)
        for name, each in (("whole", light), ("part", held))
    )
    assert np.asarray(part.terms)[:, 0] == pytest.approx(np.asarray(whole.terms)[:, 0], abs=0.01)


def test_without_a_base_scan_such_a_strip_is_refused_by_name_and_remedy(tmp_path):
    path, _ = strip_in_windows(tmp_path / "s.tif", "135", 3)
    with pytest.raises(ScanProblem, match=r"s\.tif: .*; .*--base-scan"):
        survey_scan(path, Settings())


def test_clear_film_that_is_denser_than_the_pictures_is_told(tmp_path):
    path, above = strip_in_windows(tmp_path / "s.tif", "135", 3)
    film = read_clear_film(clear(tmp_path / "dim.tif", above.shape, lighter=-0.6), None)
    with pytest.raises(ScanProblem, match=r"s\.tif: .* dim\.tif; .*same settings"):
        survey_scan(path, Settings(), clear=film)


def test_another_exposure_is_made_up_for_and_told_and_another_tone_curve_told(tmp_path):
    path, above = strip_in_windows(tmp_path / "s.tif", "135", 3)
    film = read_clear_film(clear(tmp_path / "clear.tif", above.shape), None)
    plain = survey_scan(path, Settings(), clear=film)
    curved = survey_scan(path, Settings(), clear=replace(film, linear=False))
    assert curved.strips[0].base.light == plain.strips[0].base.light
    assert any("another tone curve than clear.tif" in note for note in curved.notes)
    assert not any("clear.tif" in note for note in plain.notes)
    # Neither file tells how it was exposed.
    assert film.exposure == CameraExposure()


def test_windows_are_parted_by_bars_alone():
    above = np.full((60, 200, 3), 0.5)
    above[:, 90:100] = 3.0
    assert windows(above.astype(np.float32)) == [(0, 90), (100, 200)]
    # A dark place in a picture parts nothing.
    above[:, 90:100] = 0.5
    above[20:40, 90:100] = 3.0
    assert windows(above.astype(np.float32)) == [(0, 200)]
    assert windows(np.full((60, 200, 3), 4.0, np.float32)) == []


def test_a_surface_of_light_is_the_same_as_a_lamp():
    terms, shape = np.random.default_rng(2).normal(size=(3, 5)), (31, 53)
    lamp = Lamp.of_surface(terms, shape)
    y, x = np.mgrid[:31, :53]
    across, down = x.ravel() / 26 - 1, y.ravel() / 15 - 1
    # The surface's outermost pixel centres are -1 and 1; the lamp's are the scan's borders.
    across, down = across * 52 / 53, down * 30 / 31
    told = np.stack([across, across**2, down, down**2], axis=-1) @ terms[:, 1:].T
    assert lamp.at(x.ravel(), y.ravel()) == pytest.approx(told)
