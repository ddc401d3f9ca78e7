"""The odd cases: each draws a scan, and shows what it is named after."""

from itertools import pairwise

import numpy as np
import pytest
import tifffile
from PIL import Image

from tests.film_model import FrameSpec, Roll, StripSpec, make_scan
from tests.judged.odd import judged_odd
from tests.judged.odd_cases import averaged, odd_cases

CASES = {case.name: case for case in odd_cases()}


def gaps_mm(truth):
    frames = truth["strips"][0]["frames"]
    return [after["u_mm"][0] - before["u_mm"][1] for before, after in pairwise(frames)]


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [("touching pictures", 0.0, 0.15), ("uneven bars", 0.0, 4.0), ("double exposure", 1.9, 2.1)],
)
def test_gaps_are_as_drawn(name, least, most):
    gaps = gaps_mm(CASES[name].scan(1, 40.0).truth)
    assert gaps
    assert all(least - 0.01 <= gap <= most + 0.01 for gap in gaps)


def test_half_an_advance_lays_one_picture_over_another():
    gaps = gaps_mm(CASES["half an advance"].scan(1, 40.0).truth)
    assert sum(-24.0 <= gap <= -8.0 for gap in gaps) == 1


def test_an_averaged_scan_keeps_light_and_places():
    scan = make_scan(
        [StripSpec(Roll(frames=(FrameSpec("grey"),)), count=1)], ppi=160.0, noise=False
    )
    mean, corners = scan.codes.mean(), np.array(scan.truth["strips"][0]["outline"])
    coarse = averaged(scan)
    assert coarse.codes.mean() == pytest.approx(mean, rel=0.02)
    assert (coarse.ppi, coarse.truth["ppi"]) == (40.0, 40.0)
    # Pixels count from their centres: the first of four has its left side at -0.5 as well.
    outline = np.array(coarse.truth["strips"][0]["outline"])
    assert outline == pytest.approx((corners + 0.5) / 4 - 0.5)


def test_files_tell_what_their_names_say(tmp_path):
    wrong = CASES["wrong ppi told"]
    with tifffile.TiffFile(wrong.write(tmp_path / "a", wrong.scan(1, 40.0))) as file:
        assert file.pages[0].tags["XResolution"].value == (72, 1)
    none = CASES["no ppi told"]
    with tifffile.TiffFile(none.write(tmp_path / "b", none.scan(1, 40.0))) as file:
        # TIFF 6.0, section 8: unit 1 is none.
        assert file.pages[0].tags["ResolutionUnit"].value == 1
    jpeg = CASES["8 bit jpeg"]
    with Image.open(jpeg.write(tmp_path / "c", jpeg.scan(1, 40.0))) as picture:
        assert picture.format == "JPEG"


def test_a_scan_without_trouble_is_exact(tmp_path):
    judged = judged_odd(CASES["two frames"], 3, 150.0, tmp_path)
    assert (judged.strips, judged.exact, judged.invented) == (1, 1, 0)
    assert max(judged.corner_mm) < 0.25
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("name", "along_mm"), [("24x32", 32.0), ("6x8", 76.0), ("6x12", 112.0)])
def test_gates_are_as_long_as_their_names_say(name, along_mm):
    (strip,) = CASES[name].scan(2, 40.0).truth["strips"]
    lengths = [np.ptp(frame["u_mm"]) for frame in strip["frames"] if frame["kind"] == "picture"]
    assert lengths == pytest.approx([along_mm] * len(lengths), abs=0.05)


def test_frames_whose_end_the_holder_hides_are_not_told_as_clear(tmp_path):
    judged = judged_odd(CASES["ends under the holder"], 4, 120.0, tmp_path)
    off = np.array(judged.corner_mm) > 0.25
    assert off.any()
    assert not (off & (np.array(judged.confidence) > 0.9)).any()
