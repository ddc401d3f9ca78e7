"""Sides of one picture: placed to a part of a pixel, and inside a mask."""

import cv2
import numpy as np
import pytest

from pipeline.settings.settings import Settings
from pipeline.strip.single import SeenPicture, find_picture
from pipeline.survey.scan import survey_scan
from pipeline.survey.shape import shape_costs, sides_agree
from pipeline.survey.sides import placed_sides
from tests.judged.strips import corner_error
from tests.survey.test_single_frame import BASE, HEIGHT, WIDTH, negative, write

ALL = (True, True, True, True)


def blurred(corners: np.ndarray, sigma_px: float) -> np.ndarray:
    """Return density of a dense picture with given corners whose light is blurred."""
    big = np.zeros((HEIGHT * 4, WIDTH * 4), np.uint8)
    cv2.fillConvexPoly(big, np.rint((corners * 4 + 1.5) * 16).astype(np.int32), 1, shift=4)
    inside = cv2.resize(np.float32(big), (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    rng = np.random.default_rng(1)
    rough = cv2.resize(rng.uniform(0.6, 1.6, (14, 21)), (WIDTH, HEIGHT)) * inside
    light = cv2.GaussianBlur(10.0**-rough, (0, 0), sigma_px) * 10 ** rng.normal(
        0, 0.004, rough.shape
    )
    return np.float32(-np.log10(light))


@pytest.mark.parametrize("sigma_px", [0.8, 2.0])
@pytest.mark.parametrize("off_px", [-4.0, 3.0])
def test_sides_lie_at_the_gate_however_blurred(sigma_px, off_px):
    corners = np.array([[60.3, 41.7], [688.4, 47.2], [684.9, 460.6], [57.1, 455.8]])
    density = blurred(corners, sigma_px)
    about = corners + off_px * np.sign(corners - corners.mean(axis=0))
    seen = SeenPicture(tuple(map(tuple, about)), ALL, np.zeros(density.shape, bool))
    placed = np.array(placed_sides(seen, density, 0.004, False).corners)
    # Within 0.1 mm, the picture being 24 mm high.
    assert np.abs(placed - corners).max() < 0.1 * 414.0 / 24.0


def test_sides_that_are_not_seen_stay():
    corners = np.array([[60.0, 40.0], [690.0, 40.0], [690.0, 460.0], [60.0, 460.0]])
    density = blurred(corners, 1.0)
    seen = SeenPicture(
        tuple(map(tuple, corners + 3.0)), (False,) * 4, np.zeros(density.shape, bool)
    )
    assert np.allclose(placed_sides(seen, density, 0.004, False).corners, corners + 3.0)


@pytest.mark.parametrize("rebate_px", [8, 20])
def test_a_picture_is_found_inside_a_black_mask(tmp_path, rebate_px):
    density, corners = negative(6, gate=(160, 100, 590, 390))
    left, top, right, bottom = 160, 100, 590, 390
    mask = np.ones((HEIGHT, WIDTH), bool)
    mask[top - rebate_px : bottom + rebate_px, left - rebate_px : right + rebate_px] = False
    # A mask passes next to no light, and the same in all channels.
    density[mask] = np.log10([0.6, 0.25, 0.12]) + 2.6
    (strip,) = survey_scan(write(tmp_path / "a.tif", density), Settings()).strips
    (frame,) = strip.frames
    px_per_mm = 290 / 24.0
    assert corner_error(frame.outline, corners) < 0.25 * px_per_mm


def test_dense_sky_at_one_border_is_no_mask():
    above = np.full((300, 450, 3), 0.5, np.float32)
    above[:90] = 2.0
    assert find_picture(above, None).sides_seen == (False,) * 4


@pytest.mark.parametrize(
    ("size", "films", "format"),
    [
        ((36, 24), ("135", "120"), "135"),
        ((24, 18), ("135", "120"), "135-half"),
        ((69.5, 56), ("135", "120"), "120-6x7"),
        ((56, 56), ("135", "120"), "120-6x6"),
        ((84, 56), ("120",), "120-6x9"),
        ((41.5, 56), ("120",), "120-6x4.5"),
    ],
)
def test_the_format_is_told_by_shape_and_by_what_is_common(size, films, format):
    # Image sizes of ISO 732 and of cameras' data (common practice).
    width, height = 8.0 * np.array(size, float)
    box = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    costs = shape_costs(SeenPicture(box, ALL, np.zeros((1, 1), bool)), films)
    assert min(costs, key=lambda name: costs[name]) == format


@pytest.mark.parametrize(("drawn_px", "true"), [(0.0, True), (3.0, True), (8.0, False)])
def test_a_side_that_turns_on_its_own_is_no_gates(drawn_px, true):
    half = np.array([(-360, -240), (360, -240), (360, 240), (-360, 240)], float)
    # Turned, and seen aslant: nearer by 2 % on the right, by 3 % below.
    turned = half @ np.array([(1.0, 0.03), (-0.03, 1.0)])
    gate = turned / (1.0 + half @ (-0.02 / 720, -0.03 / 480))[:, None]
    gate[2, 1] += drawn_px
    seen = SeenPicture(tuple(map(tuple, gate)), ALL, np.zeros((1, 1), bool))
    assert sides_agree(seen, px_per_mm=20.0) == true


def test_a_mask_may_shine_in_a_lit_room_and_show_the_pictures_beside(tmp_path):
    left, top, right, bottom = 160, 100, 590, 390
    density, corners = negative(6, gate=(left, top, right, bottom))
    # Denser than the mask is dark: so the mask is lit.
    density[200:260, 300:360] = 2.2
    mask = np.ones((HEIGHT, WIDTH), bool)
    mask[top - 12 : bottom + 12, left - 12 : right + 12] = False
    mask[top - 12 : bottom + 12, -40:] = False
    density[top:bottom, -28:] = 0.7
    density[mask] = np.log10(BASE / 0.012)
    (strip,) = survey_scan(write(tmp_path / "a.tif", density), Settings()).strips
    (frame,) = strip.frames
    px_per_mm = (bottom - top) / 24.0
    assert np.abs(np.array(frame.outline) - corners).max() < 0.25 * px_per_mm
    assert frame.confidence > 0.9
