"""What tells negative film from slides, prints and photographs."""

import dataclasses
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.problem import ScanProblem
from pipeline.profile import film_sizes
from pipeline.settings.settings import Settings
from pipeline.strip.kind import is_negative
from pipeline.survey.scan import survey_scan
from tests.film_model import FrameSpec, Roll, StripSpec, make_scan, random_roll, write_scan
from tests.film_model.picture import picture_codes

SCENES = ("coffee", "hills", "table")


@pytest.mark.parametrize("format", ["135", "135-half"])
@pytest.mark.parametrize(("quality", "falloff_stops"), [(60, 0.0), (80, 1.0)])
def test_a_photographed_strip_is_found(format, quality, falloff_stops, tmp_path: Path):
    roll = Roll("film-b", tuple(map(FrameSpec, SCENES)), format, seed=3)
    scan = make_scan([StripSpec(roll, 0, 3)], ppi=120.0, seed=3)
    rows, columns = scan.codes.shape[:2]
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    fallen = 2.0 ** (-falloff_stops * (x * x + y * y) / 2)
    light = scan.codes[..., :3] / 65535 * fallen[..., None]
    path = tmp_path / "strip.jpg"
    coded = np.rint(255 * light ** (1 / 2.2)).astype(np.uint8)
    Image.fromarray(coded).save(path, quality=quality, dpi=(120, 120))
    (strip,) = survey_scan(path, Settings(scan_gamma=2.2)).strips
    assert strip.format == format
    assert len(strip.frames) == 3


@pytest.mark.parametrize("format", ["135", "120-6x6"])
@pytest.mark.parametrize("mask_share", [0.1, 0.25])
def test_colour_film_of_a_weak_mask_is_found(format, mask_share, tmp_path: Path):
    roll = Roll("film-c", tuple(map(FrameSpec, SCENES)), format, seed=6, mask_share=mask_share)
    scan = make_scan([StripSpec(roll, 0, 3)], ppi=140.0, seed=6)
    (strip,) = survey_scan(write_scan(tmp_path, "strip", scan), Settings()).strips
    assert strip.format == format
    assert len(strip.frames) == 3
    assert strip.base.illumination.absolute
    assert strip.base.density == pytest.approx(scan.truth["strips"][0]["base_density"], abs=0.01)


@pytest.mark.parametrize("tones", [(0.9, 0.75, 0.7), (0.85, 0.75, 0.8), (1.0, 0.85, 0.65)])
@pytest.mark.parametrize("around", [4, 250])
def test_a_print_of_any_tone_is_refused(tones, around, tmp_path: Path):
    page = np.full((712, 812, 3), around, np.uint8)
    page[100:-100, 150:-150] = (picture_codes("table")[:, :512] * tones).astype(np.uint8)
    path = tmp_path / "print.tif"
    tifffile.imwrite(path, page, photometric="rgb", resolution=(300, 300), resolutionunit="INCH")
    with pytest.raises(ScanProblem, match="shows"):
        survey_scan(path, Settings())


@pytest.mark.parametrize(("picture", "around"), [("table", 4), ("table", 250), ("coffee", 4)])
def test_a_print_toned_like_the_mask_is_refused(picture, around, tmp_path: Path):
    toned = (picture_codes(picture) * [0.9, 0.55, 0.3]).astype(np.uint8)
    rows, columns = toned.shape[:2]
    page = np.full((rows + 200, columns + 300, 3), around, np.uint8)
    page[100:-100, 150:-150] = toned
    path = tmp_path / "print.tif"
    tifffile.imwrite(path, page, photometric="rgb", resolution=(300, 300), resolutionunit="INCH")
    with pytest.raises(ScanProblem, match="shows"):
        survey_scan(path, Settings())


def test_film_whose_mask_is_spent_by_its_dye_is_found(tmp_path: Path):
    """A mask stronger than it should be leaves a channel of strong colours below the base."""
    scan = random_roll(3, "120-6x6", "wide-b", "wide-diodes", 150.0, frames=6)[0]
    (strip,) = survey_scan(write_scan(tmp_path, "strip", scan), Settings()).strips
    assert strip.base.density == pytest.approx(scan.truth["strips"][0]["base_density"], abs=0.01)
    assert min(frame.samples.min() for frame in strip.frames) < -0.08


@pytest.mark.parametrize(("share", "film"), [(0.035, True), (0.02, False)])
def test_wide_film_may_show_no_more_of_its_base_than_its_narrow_rebates(share, film):
    """6x6 leaves 9 % of the width (56 of 61.5 mm, common practice, no source), less its print."""
    above = np.full((240, 800, 3), 0.5, np.float32)
    strip = SimpleNamespace(
        perforated=False, px_per_mm=4.0, film=film_sizes()["120"], whole_width=True
    )
    area_mm2 = share * above[..., 0].size / 16.0
    base = SimpleNamespace(density=(0.2, 0.6, 0.9), area_mm2=area_mm2, given=False)
    assert is_negative(above, strip, base, any_base=False) is film


@pytest.mark.parametrize(("lighter", "rebates", "film"), [
    (0.03, True, True), (0.03, False, False), (0.2, True, False),
])  # fmt: skip
def test_reflections_lie_over_film_that_shows_its_base_along_both_edges(lighter, rebates, film):
    """A lamp's reflection is lighter than base; so are parts of a print, beside its border too."""
    above = np.full((246, 800, 3), 0.5, np.float32)
    above[:11] = above[-11:] = 0.0 if rebates else 0.3
    above[50:196, 100 : 100 + round(1.3 * lighter * 800)] = -0.2
    strip = SimpleNamespace(
        perforated=False, px_per_mm=4.0, film=film_sizes()["120"], whole_width=True
    )
    base = SimpleNamespace(density=(0.2, 0.6, 0.9), area_mm2=1200.0, given=False)
    assert is_negative(above, strip, base, any_base=False) is film


def test_wide_film_under_a_lamp_that_shines_on_it_is_found(tmp_path: Path):
    roll = Roll("film-c", tuple(map(FrameSpec, SCENES)), "120-6x6", seed=6)
    scan = make_scan([StripSpec(roll, 0, 3)], ppi=140.0, seed=6)
    rows, columns = scan.codes.shape[:2]
    y, x = np.mgrid[:rows, :columns]
    (left, top), (right, lower) = np.array(scan.truth["strips"][0]["outline"])[[0, 2]]
    across = (lower - top) / 61.5
    far = np.hypot(x - 0.35 * left - 0.65 * right, (y - (top + lower) / 2) / 1.5) / across
    shone = np.where(far[..., None] < 6.0, 6000, 0)
    codes = np.minimum(scan.codes[..., :3].astype(int) + shone, 65535).astype(np.uint16)
    scan = dataclasses.replace(scan, codes=codes)
    (strip,) = survey_scan(write_scan(tmp_path, "strip", scan), Settings()).strips
    assert [frame.kind for frame in strip.frames] == ["picture"] * 3
