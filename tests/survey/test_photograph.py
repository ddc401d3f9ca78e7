"""Strips photographed by hand: frames, codes and numbers held against the film model's truth."""

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import ExifTags, Image

from pipeline.outline import corners_of
from pipeline.scan import open_scan, reduce
from pipeline.settings.settings import Settings
from pipeline.survey.look import StripLook
from pipeline.survey.look_store import ScanLook
from pipeline.survey.scan import survey_scan
from pipeline.survey.scan_look import before_backdrop, innermost, look_at_scan
from pipeline.survey.strip import survey_strip
from tests.film_model import Holder, random_plan
from tests.film_model.photograph import Photograph, Shot, photograph
from tests.judged.strips import judged_strips

# What a frame's confidence is about.
TOLERANCE_MM = 0.25
SHOTS = {
    "aslant": Shot(1400, across=0.85, turn_deg=3.0, aslant=(0.05, -0.04)),
    "turned": Shot(1400, across=0.85, turn_deg=-13.0),
    "through a lens": Shot(1400, radial=0.03, shift=(0.0, 0.15)),
    "bowed": Shot(1400, bow_mm=2.0),
}


def shown(shot: Shot, format: str = "135", count: int = 3) -> Photograph:
    plan = random_plan(np.random.default_rng([5, count]), format, count)
    plan = replace(plan, scanner="scanner-a", turn_deg=0, gains=(1.0, 1.0, 1.0))
    scan = replace(plan, holder=Holder(opaque=False, border_mm=6.0)).scan(300.0)
    return photograph(scan, shot, seed=1)


def before_window(made: Photograph) -> tuple[Photograph, np.ndarray]:
    """Return a photograph of linear codes before scenery, and that as light (h, w)."""
    codes = np.asarray(Image.open(io.BytesIO(made.jpeg)), np.float32)
    size = (codes.shape[1], codes.shape[0])
    coarse = np.array([[-0.3, 0.0, -0.3], [-0.4, -0.1, 0.0]])
    light = 10.0 ** cv2.resize(coarse, size, interpolation=cv2.INTER_CUBIC)
    file = io.BytesIO()
    shown = np.rint(np.clip(codes * light[..., None], 0, 255)).astype(np.uint8)
    Image.fromarray(shown).save(file, "JPEG", quality=95)
    return replace(made, jpeg=file.getvalue()), light


def surveyed(made: Photograph, folder):
    path = folder / "photograph.jpg"
    path.write_bytes(made.jpeg)
    return survey_scan(path, Settings()).strips


@pytest.mark.parametrize("name", SHOTS)
def test_a_photographed_strip_is_cut_as_a_scanned_one(tmp_path, name):
    made = shown(SHOTS[name])
    strips = surveyed(made, tmp_path)
    judged = judged_strips(strips, made.truth)
    assert (judged.strips, judged.exact, judged.invented) == (1, 1, 0)
    assert max(judged.corner_mm) < TOLERANCE_MM
    assert (judged.wrong, judged.read) == (0, judged.readable)
    (strip,) = strips
    assert strip.ppi_from == "perforations"
    assert strip.ppi == pytest.approx(made.truth["ppi"], rel=0.02)


def test_a_strip_before_a_window_is_cut_and_its_base_goes_with_the_light_behind(tmp_path):
    made, light = before_window(shown(Shot(1400, across=0.85, tone="linear", noise=0.0)))
    path = tmp_path / "photograph.jpg"
    path.write_bytes(made.jpeg)
    settings = replace(Settings(), scan_gamma=1.0)
    (scan,) = open_scan(path, gamma=1.0, ppi=None)
    looks = before_backdrop(scan, reduce(scan, 1), settings, [ScanLook(path, (), False, (), False)])
    assert looks is not None
    (look,) = looks[0].strips
    strip = survey_strip(look, settings, None, None)
    judged = judged_strips([strip], made.truth)
    assert (judged.strips, judged.exact, judged.invented) == (1, 1, 0)
    assert max(judged.corner_mm) < TOLERANCE_MM
    found, true = [], []
    for frame in strip.frames:
        found.append(sum(part.mean() for part in frame.base.log_light(9, 13)))
        mask = np.zeros(light.shape, np.uint8)
        cv2.fillPoly(mask, [np.rint(frame.outline).astype(np.int32)], 1)
        true.append(np.log10(light)[mask > 0].mean())
    assert np.ptp(true) > 0.2
    assert np.ptp(np.subtract(found, true)) < 0.3 * np.ptp(true)


def test_film_without_perforations_is_laid_level_by_its_borders(tmp_path):
    made = shown(SHOTS["aslant"], "120-6x6")
    judged = judged_strips(surveyed(made, tmp_path), made.truth)
    assert judged.exact == 1
    assert max(judged.corner_mm) < TOLERANCE_MM


def test_densities_of_a_picture_that_names_no_profile_are_doubted(tmp_path):
    for profile in (True, False):
        (strip,) = surveyed(shown(replace(SHOTS["aslant"], profile=profile)), tmp_path)
        assert strip.base.illumination.absolute
        assert strip.absolute == profile


def test_densities_of_a_picture_that_a_camera_developed_are_doubted(tmp_path):
    made = shown(SHOTS["aslant"])
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.ExposureTime] = 0.01
    # What JFIF and Exif say stands behind the two bytes that begin a stream (ITU-T T.81).
    packet = exif.tobytes()
    said = b"\xff\xe1" + (len(packet) + 2).to_bytes(2, "big") + packet
    developed = replace(made, jpeg=made.jpeg[:2] + said + made.jpeg[2:])
    (strip,) = surveyed(developed, tmp_path)
    assert strip.scan.encoding.source == "icc"
    assert strip.base.illumination.absolute
    assert (strip.developed, strip.curve_known, strip.absolute) == (True, False, False)
    path = tmp_path / "photograph.jpg"
    (strip,) = survey_scan(path, replace(Settings(), scan_gamma=2.2)).strips
    assert (strip.developed, strip.curve_known) == (False, True)


def test_what_surrounds_a_strip_is_no_strip(tmp_path):
    path = tmp_path / "photograph.jpg"
    path.write_bytes(shown(SHOTS["turned"]).jpeg)
    (film,) = look_at_scan(path, Settings(), None).strips
    corners = np.array(film.strip.outline)

    def placed(outline: np.ndarray) -> StripLook:
        return replace(film, strip=replace(film.strip, outline=corners_of(outline)))

    rim = placed(corners.mean(axis=0) + 1.3 * (corners - corners.mean(axis=0)))
    below = placed(corners + 1.1 * (corners[3] - corners[0]))
    assert [each is film for each in innermost((rim, film))] == [True]
    assert len(innermost((below, film))) == 2
