"""A roll of files of one picture each: one base, one order, what is told of exposure."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.problem import ScanProblem
from pipeline.roll.scans import _refuted
from pipeline.roll.survey import SurveyedRoll, survey_roll
from pipeline.scan.container import CameraExposure
from pipeline.scan.scan import Scan, open_scan
from pipeline.settings.settings import Roll, RollNotes, Settings
from pipeline.survey.clear_film import ClearFilm, read_clear_film
from pipeline.survey.scan import ScanSurvey
from tests.survey.surveyed import frame, strip
from tests.survey.test_single_frame import HEIGHT, WIDTH, negative, write

BEYOND = (-60, -60, WIDTH + 60, HEIGHT + 60)


def surveyed(paths: list[Path], **settings: object) -> tuple[SurveyedRoll, list]:
    events: list = []
    chosen = replace(Settings(reference=()), **settings)
    with ThreadPoolExecutor(1) as executor:
        roll = Roll("r", tuple(paths), RollNotes(), chosen)
        return survey_roll(roll, executor, events.append), events


def test_files_are_frames_in_their_order_with_one_base(tmp_path):
    densities = [negative(1)[0], negative(2)[0], negative(3, gate=BEYOND)[0]]
    paths = [write(tmp_path / f"{k}.tif", density) for k, density in enumerate(densities)]
    roll, events = surveyed(paths)
    numbers = [frame.number for row in roll.frames for frame in row]
    assert [number.number for number in numbers] == ["01", "02", "03"]
    assert {number.number_from for number in numbers} == {"order"}
    assert not [event for event in events if event.kind == "failed"]
    levels = np.array([strip.base.light for strip in roll.strips])
    # The last shows no rebate and has the others' base.
    assert np.abs(levels / levels[0] - 1).max() < 0.01


def test_a_base_of_its_own_that_others_refute_is_none(tmp_path):
    inner = negative(4)[0]
    # A picture within the picture: its dark surround is no base, for others are lighter.
    framed = write(tmp_path / "0.tif", inner + 0.4)
    others = []
    for k in (1, 2):
        density = negative(k, gate=BEYOND)[0]
        density[100:400, 200:500] = 0.02
        others.append(write(tmp_path / f"{k}.tif", density))
    roll, events = surveyed([framed, *others])
    assert not roll.strips
    told = [event.message for event in events if event.kind == "failed"]
    assert len(told) == 3
    assert all("--base-scan" in message for message in told)


@pytest.mark.parametrize(("off", "kept"), [((0.5, 0.7, 0.6), False), ((0.3, 0.3, 0.3), True)])
def test_a_darker_base_of_another_colour_is_a_picture(tmp_path, off, kept):
    paths = [write(tmp_path / f"{k}.tif", negative(k)[0]) for k in (1, 2)]
    # A picture within the picture, or else the same film under less light.
    paths.append(write(tmp_path / "3.tif", negative(3)[0] + np.array(off)))
    roll, _ = surveyed(paths)
    assert len(roll.strips) == 3
    levels = [np.asarray(strip.base.shading)[:, 0] for strip in roll.strips]
    off_base = levels[2] - (levels[0] - (np.array(off) if kept else 0.0))
    assert np.abs(off_base).max() < 0.02


def test_each_exposure_is_told_by_rebate_where_a_channel_is_full_too(tmp_path):
    gains = (1.0, 0.6, 0.8, 2.2, 0.4)
    paths = [
        write(tmp_path / f"{k}.tif", negative(k)[0], lost=0.06, gain=gain)
        for k, gain in enumerate(gains)
    ]
    roll, events = surveyed(paths)
    assert not [event for event in events if event.kind == "failed"]
    levels = np.array([np.asarray(strip.base.shading)[:, 0] for strip in roll.strips])
    # The fourth's red is full: 2.2 x 0.6 of full scale, where 1.32 is told by the others.
    off = levels - levels[0] - np.log10(np.array(gains) / gains[0])[:, None]
    assert np.abs(off).max() < 0.004


def test_a_base_scan_serves_all(tmp_path):
    clear = write(tmp_path / "clear.tif", np.zeros((HEIGHT, WIDTH, 3)), lost=0.1)
    paths = [write(tmp_path / f"{k}.tif", negative(k, gate=BEYOND)[0], lost=0.1) for k in (1, 2)]
    roll, _ = surveyed(paths, base_scan=str(clear))
    assert len(roll.strips) == 2
    assert roll.strips[0].base.shading == roll.strips[1].base.shading


def test_a_base_scan_that_is_not_there_is_told(tmp_path):
    paths = [write(tmp_path / "1.tif", negative(1)[0])]
    with pytest.raises(ScanProblem, match="no such file"):
        surveyed(paths, base_scan=str(tmp_path / "clear.tif"))


def test_another_exposure_is_told_and_made_up_for_where_light_is_linear(tmp_path):
    clear = write(tmp_path / "clear.tif", np.zeros((HEIGHT, WIDTH, 3)))
    film = replace(read_clear_film(clear, None), exposure=CameraExposure(0.01, 8.0, 100.0))
    scan = roll_scan(tmp_path)
    moved, told = film.under(replace(scan, exposure=CameraExposure(0.02, 8.0, 100.0)))
    assert told is not None
    assert "+1.0 stops" in told
    assert moved.level() - film.level() == pytest.approx(np.log10(2.0), abs=1e-6)
    curved = replace(film, linear=False)
    same, told = curved.under(replace(scan, exposure=CameraExposure(0.02, 8.0, 100.0)))
    assert same is curved
    assert told is not None
    assert "may be off" in told
    assert film.under(replace(scan, exposure=CameraExposure(0.01, 8.0, 100.0))) == (film, None)


def roll_scan(folder: Path) -> Scan:

    return open_scan(write(folder / "a.tif", negative(1)[0]))[0]


def test_exposure_of_files_is_read_into_the_survey(tmp_path):
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x829A: 0.008, 0x829D: 8.0, 0x8827: 100})
    light = 0.5 * 10.0 ** -negative(1)[0] * [1.0, 0.5, 0.25]
    codes = np.rint(255 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    Image.fromarray(codes).save(tmp_path / "a.jpg", quality=95, exif=exif)
    roll, _ = surveyed([tmp_path / "a.jpg"])
    assert roll.strips[0].scan.exposure.time_s == pytest.approx(0.008)


def test_a_side_that_does_not_show_is_told_by_the_rolls_gate(tmp_path):
    densities = [negative(k)[0] for k in range(4)]
    _, corners = negative(4)
    # A shadow like base from the picture's left side on, straight as the side itself.
    shaded, _ = negative(4)
    shaded[:, 60:180] = np.random.default_rng(4).normal(0.0, 0.008, (HEIGHT, 120, 3))
    paths = [write(tmp_path / f"{k}.tif", each) for k, each in enumerate([*densities, shaded])]
    roll, _ = surveyed(paths)
    (frame,) = roll.strips[4].frames
    assert np.abs(np.array(frame.outline) - corners).max() < 4.0
    assert frame.confidence < 0.95


def test_a_picture_like_base_up_to_its_sides_has_the_exposure_of_the_base(tmp_path):
    gains = (1.0, 0.6, 0.4)
    densities = [negative(0)[0], negative(1)[0], np.zeros((HEIGHT, WIDTH, 3))]
    # All but some dense things in the middle is like base.
    densities[2][200:300, 250:400] = negative(2)[0][200:300, 250:400]
    paths = [
        write(tmp_path / f"{k}.tif", density, gain=gain)
        for k, (density, gain) in enumerate(zip(densities, gains, strict=True))
    ]
    roll, events = surveyed(paths)
    assert not [event for event in events if event.kind == "failed"]
    levels = np.array([np.asarray(strip.base.shading)[:, 0] for strip in roll.strips])
    off = levels - levels[0] - np.log10(np.array(gains))[:, None]
    assert np.abs(off).max() < 0.01


def test_an_unclear_strip_refutes_no_base(tmp_path):
    def told(k: int, kind: str, level: float, confidence: float) -> ScanSurvey:
        terms = ((level, 0.0, 0.0, 0.0, 0.0), (-0.5, *(0.0,) * 4), (-0.8, *(0.0,) * 4))
        own = ClearFilm(terms, (0.0,) * 3, CameraExposure(), True, False, f"{k}.tif")
        of = strip([replace(frame(), confidence=confidence)])
        return ScanSurvey(tmp_path, (of,), False, (), single=kind == "single", own=own)

    base = told(0, "single", -0.45, 0.95)
    lighter = told(1, "strip", -0.1, 0.3)
    lighter = replace(lighter, own=replace(lighter.own, terms=((-0.1, *(0.0,) * 4),) * 3))
    assert _refuted({0: base, 1: lighter}, {}, True) == ()
    clear = replace(lighter, single=True)
    assert _refuted({0: base, 1: clear}, {}, True) == (0,)
