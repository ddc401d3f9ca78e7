"""Dust of whole frames: from files of the film model to mended light and files.

The film model (tests/film_model) draws the same scan with dust and without.
"""

from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.dust.infrared import CrossTalk, infrared_density
from pipeline.render import patches as dust_frame
from pipeline.render.cut import cut_light, picture_size
from pipeline.render.mended import with_patches
from pipeline.render.patches import DustyWindow, Part, Patches
from pipeline.render.upright import upright
from pipeline.settings.settings import Settings
from pipeline.strip.base import FrameBase
from pipeline.survey.scan import survey_scan
from pipeline.survey.strip import StripSurvey
from tests.conftest import Run
from tests.film_model import FrameSpec, Process, Roll, StripSpec, make_scan, write_scan
from tests.render.whole_pictures import (
    ArrayLines,
    cut_mended,
    read_both,
    read_infrared,
    read_light,
    straightened,
)
from tests.survey.surveyed import ABSOLUTE, FLAT

BASE = FrameBase(FLAT, -1.0, 1.0, -1.0, 1.0, ABSOLUTE)


def scan_file(folder: Path, name: str, dust: int, film: str = "film-a", **options) -> Path:
    page = bool(options.pop("infrared_page", False))
    process = options.pop("process", Process())
    frames = (FrameSpec("quay"), FrameSpec("coffee"))
    strip = StripSpec(Roll(film, frames, seed=5, process=process), 0, 2)
    common = {"ppi": 200.0, "seed": 2, "infrared": True, "dust_seed": 1}
    scan = make_scan([strip], dust_count=dust, **common | options)
    return write_scan(folder, name, scan, infrared_page=page)


def surveyed(path: Path) -> StripSurvey:
    (strip,) = survey_scan(path, Settings()).strips
    return strip


@pytest.mark.parametrize("page", [False, True])
@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-c"])
def test_frames_of_a_dusty_scan_come_near_those_of_a_clean_one(page, scanner, tmp_path):
    shift = {"infrared_shift_px": (0.6, -1.0), "scanner": scanner, "ppi": 300.0}
    dusty = surveyed(scan_file(tmp_path, "dusty", 90, infrared_page=page, **shift))
    clean = surveyed(scan_file(tmp_path, "clean", 0, **shift))
    assert dusty.scan.infrared
    for frame in dusty.frames:
        before = cut_light(dusty.scan, frame.outline)
        truth = cut_light(clean.scan, frame.outline)
        light, mask = cut_mended(dusty.scan, frame.outline, frame.base, dusty.cross_talk, dusty.ppi)
        assert light[mask == 0].tobytes() == before[mask == 0].tobytes()
        off = [np.abs(np.log10((each + 1e-3) / (truth + 1e-3))) for each in (before, light)]
        hit = off[0].mean(axis=2) > 0.1
        assert hit.sum() > 30
        assert (mask[hit] > 0).mean() > 0.9
        assert off[1][hit].mean() < 0.3 * off[0][hit].mean()


LYING = {
    "on whole pixels": ((20.5, 30.5), (180.5, 30.5), (180.5, 150.5), (20.5, 150.5)),
    "between pixels": ((20.2, 30.9), (180.2, 30.9), (180.2, 150.9), (20.2, 150.9)),
    "turned": ((30.0, 25.0), (190.0, 37.0), (181.0, 157.0), (21.0, 145.0)),
    "upright": ((180.3, 20.1), (181.0, 200.3), (60.2, 201.2), (59.4, 20.8)),
    "mirrored": ((190.0, 37.0), (30.0, 25.0), (21.0, 145.0), (181.0, 157.0)),
    "aslant": ((30.0, 25.0), (190.0, 31.0), (196.0, 157.0), (21.0, 145.0)),
}


@pytest.mark.parametrize("columns_first", [False, True])
@pytest.mark.parametrize("name", LYING)
def test_mended_light_is_that_of_the_whole_picture_mended(name, columns_first):
    rng = np.random.default_rng(8)
    picture = rng.uniform(0.2, 0.8, (220, 240, 3)).astype(np.float32)
    dusty = np.zeros(picture.shape[:2], bool)
    for y, x, high, wide in rng.integers((0, 0, 1, 1), (218, 230, 4, 14), (40, 4)).tolist():
        dusty[y : y + high, x : x + wide] = True
    mended = np.where(dusty[..., None], 0.5 * picture, picture)
    outline = LYING[name]
    size = picture_size(outline)
    way = upright(outline, (0.0, 0.0), size, picture.shape[:2], columns_first)
    patches = Patches(*np.nonzero(dusty), mended[dusty]).upright(way)
    bands = [
        (planes.copy(), touched)
        for _, planes, touched in with_patches(ArrayLines(way.view(picture)), patches, way, size)
    ]
    light = np.moveaxis(np.concatenate([planes for planes, _ in bands], axis=1), 0, 2)
    assert len(light) == size[0]
    touched = np.concatenate([touched for _, touched in bands]) > 0
    whole, plain, weight = (
        straightened(each, outline, (0.0, 0.0), size, columns_first)
        for each in (mended, picture, np.repeat(dusty[..., None], 3, axis=2).astype(np.float32))
    )
    assert 0.005 < touched.mean() < 0.3
    assert (touched == (np.abs(weight[..., 0]) > 1e-3)).mean() > 0.999
    assert (light[~touched] == plain[~touched]).all()
    assert light[touched] == pytest.approx(whole[touched], abs=1e-4)


def test_light_and_infra_red_are_read_together(tmp_path):
    scan = surveyed(scan_file(tmp_path, "dusty", 10)).scan
    light, plane = read_both(scan, (5, 60), (7, 90))
    assert (light == read_light(scan, (5, 60), (7, 90))).all()
    assert (plane == read_infrared(scan, (5, 60), (7, 90))).all()


def test_tiles_join_without_a_seam(monkeypatch):
    rng = np.random.default_rng(3)
    light = (0.2 + 0.001 * rng.standard_normal((700, 150, 3))).astype(np.float32)
    infrared = (0.8 + 0.002 * rng.standard_normal((700, 150))).astype(np.float32)
    for top in range(20, 680, 33):
        light[top : top + 5, 60:66] *= 0.4
        infrared[top : top + 5, 60:66] *= 0.4
    talk = CrossTalk((0.0, 0.0, 0.0), "dust")

    def read(rows, columns):
        codes, plane = (each[slice(*rows), slice(*columns)] for each in (light, infrared))
        return Part(
            lambda box: np.ascontiguousarray(np.moveaxis(codes[box], 2, 0)),
            lambda box: infrared_density(plane[box], 1.0),
        )

    def mend():
        window = DustyWindow((0, 700), (0, 150), BASE, talk, 1200.0)
        patches = dust_frame.find_patches(read, window)
        picture, mask = light.copy(), np.zeros(light.shape[:2], bool)
        picture[patches.rows, patches.columns] = patches.light
        mask[patches.rows, patches.columns] = True
        return picture, mask

    whole, mask = mend()
    monkeypatch.setattr(dust_frame, "_TILE_PX", 100)
    parts, tiled = mend()
    assert (whole[~mask] == light[~mask]).all()
    assert (mask != tiled).mean() < 1e-3
    assert parts[mask & tiled] == pytest.approx(whole[mask & tiled], rel=0.05)
    assert parts.min() > 0.15


def test_command_mends_and_saves_masks(tmp_path, run: Run):
    folder = tmp_path / "roll"
    path = scan_file(folder, "strip", 90)
    before = path.read_bytes()
    for name, *words in (("on", "--save-dust-mask"), ("off", "--dust", "off")):
        assert run("convert", folder, "-o", tmp_path / name, *words).code == 0
    assert path.read_bytes() == before
    assert not list((tmp_path / "off").glob("*.dust.png"))
    masks = sorted((tmp_path / "on").glob("*.dust.png"))
    assert [mask.name for mask in masks] == ["roll_01.dust.png", "roll_02.dust.png"]
    for mask in masks:
        name = mask.name.replace(".dust.png", ".tif")
        on, off = (tifffile.imread(tmp_path / each / name) for each in ("on", "off"))
        with Image.open(mask) as picture:
            touched = np.asarray(picture)[..., 0] > 0
        assert touched.shape == on.shape[:2]
        assert 0 < touched.mean() < 0.15
        assert (on != off).any(axis=2)[touched].mean() > 0.5
        assert (on[~touched] == off[~touched]).all()


@pytest.mark.parametrize(
    ("film", "process"),
    [("film-silver", Process()), ("film-a", Process(retained_silver=1.0))],
)
def test_silver_is_left_alone_and_told(film, process, tmp_path, run: Run):
    folder = tmp_path / "roll"
    scan_file(folder, "strip", 60, film=film, process=process)
    ran = run("convert", folder, "-o", tmp_path / "on", "--save-dust-mask")
    assert ran.code == 0
    assert ran.err.count("shows the picture itself, as silver does") == 1
    assert not list((tmp_path / "on").glob("*.dust.png"))
    quiet = run("convert", folder, "-o", tmp_path / "off", "--dust", "off")
    assert "silver does" not in quiet.err
    for name in ("roll_01.tif", "roll_02.tif"):
        on, off = (tifffile.imread(tmp_path / each / name) for each in ("on", "off"))
        assert (on == off).all()
