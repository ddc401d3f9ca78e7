"""Evidence of plain strips drawn by hand."""

import cv2
import numpy as np
import pytest

from pipeline.frame.columns import evidence, find_band, shows_gap, speck_share, spot_share
from pipeline.profile.format import film_sizes

PX_PER_MM = 6.0
FILM = film_sizes()["135"]
# ISO 1007: 34.975 mm of film; 24 mm of picture in its middle (common practice, no source).
HEIGHT = round(34.975 * PX_PER_MM)
TOP, BOTTOM = 33, 177
FIRST, LAST = 60, 276


def drawn(density: float = 0.6) -> np.ndarray:
    """Return density above base of a strip with one even picture and nothing else."""
    above = np.zeros((HEIGHT, 340, 3), np.float32)
    above[TOP:BOTTOM, FIRST:LAST] = density
    return above


def test_a_plain_strip():
    seen = evidence(drawn(), FILM, PX_PER_MM, 0.005)
    # Rows count from pixel centres, so that edges lie half a pixel before.
    assert seen.top == pytest.approx(TOP - 0.5, abs=0.6)
    assert seen.bottom == pytest.approx(BOTTOM - 0.5, abs=0.6)
    inside = np.zeros(340, bool)
    inside[FIRST:LAST] = True
    assert np.all(seen.busy[inside] == 1.0)
    assert np.all(seen.busy[~inside] == 0.0)
    assert seen.density == pytest.approx(np.where(inside, 0.6, 0.0), abs=1e-6)
    assert seen.least_density == pytest.approx(np.where(inside, 0.6, 0.0), abs=1e-6)
    assert seen.rebate_density == pytest.approx(np.zeros(340), abs=1e-6)
    assert not seen.outside.any()
    assert seen.px_per_mm == PX_PER_MM


@pytest.mark.parametrize(("first", "told"), [(140, True), (70, False), (262, False)])
def test_a_gap_has_room_for_a_picture_on_either_side(first, told):
    above = drawn()
    above[:, first : first + 12] = 0.0
    assert shows_gap(evidence(above, FILM, PX_PER_MM, 0.005)) == told
    assert not shows_gap(evidence(drawn(), FILM, PX_PER_MM, 0.005))


def test_light_struck_rebate_is_dense_and_edge_print_is_not():
    above = drawn()
    above[:, 300:] = 1.4
    above[4:12, 100:140] = 0.9
    seen = evidence(above, FILM, PX_PER_MM, 0.005)
    assert np.all(seen.rebate_density[300:] > 1.3)
    assert np.abs(seen.rebate_density[:300]).max() < 1e-6


def test_perforations_do_not_lighten_the_rebate():
    above = drawn()
    # ISO 1007: holes every 4.75 mm, 2.01 mm from the edge, 2.794 mm across (from memory).
    for start in np.arange(4, 330, 4.75 * PX_PER_MM):
        columns = slice(round(start), round(start) + 12)
        above[12:29, columns] = above[HEIGHT - 29 : HEIGHT - 12, columns] = -0.6
    seen = evidence(above, FILM, PX_PER_MM, 0.005)
    assert np.abs(seen.rebate_density).max() < 1e-6
    assert not seen.outside.any()


def test_lighter_than_base_is_no_film():
    above = drawn()
    above[:, :20] = -0.7
    seen = evidence(above, FILM, PX_PER_MM, 0.005)
    assert seen.outside[:20].all()
    assert not seen.outside[20:].any()


def test_noise_is_not_busy():
    noise = np.random.default_rng(1).normal(0, 0.02, (HEIGHT, 340, 1)).astype(np.float32)
    seen = evidence(drawn() + noise, FILM, PX_PER_MM, 0.02)
    assert seen.busy[:FIRST].mean() < 0.02
    assert seen.busy[FIRST:LAST].min() == 1.0


@pytest.mark.parametrize("shift", [-4, 0, 5])
def test_the_band_follows_the_camera(shift):
    top, bottom = find_band(np.roll(drawn(), shift, axis=0), FILM, PX_PER_MM)
    assert top == pytest.approx(TOP - 0.5 + shift, abs=0.6)
    # The image is 24 mm high whatever is seen of it.
    assert bottom - top == pytest.approx(24.0 * PX_PER_MM, abs=0.01)


def test_the_band_of_bare_film_is_the_middle():
    top, bottom = find_band(np.zeros((HEIGHT, 340, 3), np.float32), FILM, PX_PER_MM)
    assert (top + bottom) / 2 == pytest.approx((HEIGHT - 1) / 2, abs=1.5 * PX_PER_MM)
    assert bottom - top == pytest.approx(24.0 * PX_PER_MM, abs=0.01)


def perforated(px_per_mm: float, base_off: float = 0.0, covered: bool = False) -> np.ndarray:
    """Return a strip with one even picture and holes (ISO 1007), its base so far off."""
    height, width = round(34.975 * px_per_mm), round(60 * px_per_mm)
    above = np.full((height, width, 3), base_off, np.float32)
    across = np.arange(height) / px_per_mm
    along = np.arange(width) / px_per_mm
    picture = (np.abs(across - 34.975 / 2) < 12.0)[:, None] & (np.abs(along - 32.0) < 18.0)
    above[picture] += 0.4
    above[np.abs(across - 34.975 / 2) > 12.0] += 1.5 * covered
    holes = (np.abs(np.abs(across - 34.975 / 2) - 14.08) < 1.4)[:, None] & (along % 4.75 < 1.98)
    above[holes] = -0.5
    return above


@pytest.mark.parametrize("base_off", [0.0, 0.04, -0.08, -0.14])
def test_base_that_is_off_all_along_is_base_between_holes_and_beside_them(base_off):
    # At 70 pixels an inch film between holes is all that is bare beside the picture.
    px_per_mm = 70 / 25.4
    seen = evidence(perforated(px_per_mm, base_off), FILM, px_per_mm, 0.006)
    gap = np.arange(len(seen.busy)) < 12.0 * px_per_mm
    assert np.abs(seen.density[gap]).max() < 0.005
    assert seen.busy[gap].max() < 0.02


def test_a_holder_beside_the_picture_is_no_veil():
    seen = evidence(perforated(PX_PER_MM, covered=True), FILM, PX_PER_MM, 0.006)
    assert np.abs(seen.density[: round(12 * PX_PER_MM)]).max() < 0.005


def test_hairs_are_no_spots_and_lights_are():
    field = np.zeros((140, 200), np.float32)
    hair = np.array([[30, 40], [42, 36], [55, 47], [60, 62], [50, 70]], np.int32)
    cv2.polylines(field, [hair], False, 0.8, 2)
    assert speck_share(field, 0.005) > 0.003
    assert spot_share(field, 0.005, PX_PER_MM) == 0.0
    for x in (20, 90, 150):
        cv2.circle(field, (x, 110), 6, 0.8, -1)
    assert spot_share(field, 0.005, PX_PER_MM) == pytest.approx(
        3 * np.pi * 36 / field.size, rel=0.2
    )
    assert spot_share(field[:0], 0.005, PX_PER_MM) == 0.0


@pytest.mark.parametrize(("thin", "bars"), [(0.0, 1), (0.55, 0)])
def test_a_gap_that_blur_fills_is_a_bar_where_nearly_all_rows_fall_and_rise(thin, bars):
    """`thin` is the share of rows that a line of a scene leaves as they are."""
    above = np.zeros((HEIGHT, 340, 3), np.float32)
    above[TOP:BOTTOM, 10:330] = 0.7
    line = slice(TOP + round(thin * (BOTTOM - TOP)), BOTTOM)
    above[line, 168:172] = np.array([0.5, 0.1, 0.1, 0.5])[:, None]
    inner = [bar for bar in evidence(above, FILM, PX_PER_MM, 0.005).bars if 100 < bar[0] < 240]
    assert len(inner) == bars
    assert all(168 <= first < last <= 172 for first, last in inner)


def test_a_gap_that_blur_fills_may_lie_at_the_film_s_very_end():
    above = np.full((HEIGHT, 340, 3), 0.7, np.float32)
    above[:, 2:7] = np.array([0.5, 0.1, 0.1, 0.1, 0.5])[:, None]
    assert any(bar[0] < 8 for bar in evidence(above, FILM, PX_PER_MM, 0.005).bars)


@pytest.mark.parametrize("density", [0.05, 0.08, 0.15])
def test_light_that_struck_a_rebate_is_no_band_of_thin_pictures(density):
    wide = film_sizes()["120"]
    height = round(wide.width_mm * PX_PER_MM)
    above = np.zeros((height, 900, 3), np.float32)
    above[16:352, 20:880] = density
    above[height - 14 :, :700] = 0.8
    above += np.random.default_rng(1).normal(0, 0.003, above.shape).astype(np.float32)
    top, bottom = find_band(above, wide, PX_PER_MM)
    assert top == pytest.approx(15.5, abs=1.5)
    assert bottom == pytest.approx(351.5, abs=1.5)
