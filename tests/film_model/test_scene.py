"""The film model's scenes, chart and geometry against reference libraries and laws."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.film_model import chart, load_film
from tests.film_model.geometry import (
    Window,
    covered,
    distance_to_rectangle,
    place,
    soft_inside,
)
from tests.film_model.picture import decode_srgb, encode_srgb
from tests.film_model.scene import Scene, scene_exposure, scene_light, sized
from tests.film_model.spectra import colour_science, picture_basis, wavelengths_nm, xyz_of
from tests.film_model.stock import MID_GREY

ANGLES = st.floats(-180.0, 180.0)


def test_chart_colours_are_those_colour_science_computes() -> None:
    """Source: colour-science sd_to_XYZ (ASTM E308) on its ISO 17321-1 reflectances, D50."""
    colour = colour_science()
    reflectances = colour.SDS_COLOURCHECKERS["ISO 17321-1"]
    xy = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    light = colour.SDS_ILLUMINANTS["D50"].copy().align(colour.SPECTRAL_SHAPE_DEFAULT)
    # The set is sampled at 5 nm in an uneven span; interpolating it is not under test here.
    reference = [
        colour.XYZ_to_Lab(
            colour.sd_to_XYZ(sd.copy().align(colour.SPECTRAL_SHAPE_DEFAULT), illuminant=light)
            / 100,
            xy,
        )
        for sd in reflectances.values()
    ]
    patches = chart.patches_in_frame(1.5)
    assert len(patches) == len(reflectances)
    error = np.linalg.norm(np.array([p.lab_d50 for p in patches]) - reference, axis=1)
    assert error.max() < 0.5, error


def test_chart_patches_stand_in_four_rows_of_six_inside_the_frame() -> None:
    for aspect in (1.5, 1.0, 0.75, 65 / 24):
        patches = chart.patches_in_frame(aspect)
        centres = np.array([p.centre for p in patches]).reshape(4, 6, 2)
        assert np.ptp(centres[..., 1], axis=1).max() < 1e-9
        assert np.ptp(centres[..., 0], axis=0).max() < 1e-9
        corners = np.array([p.corners for p in patches])
        assert corners.min() > 0.02
        assert corners.max() < 0.98
        sides = (corners[:, 2] - corners[:, 0]) * [aspect, 1]
        np.testing.assert_allclose(sides[:, 0], sides[:, 1])


def test_picture_basis_gives_back_the_colours_it_is_asked_for() -> None:
    """Source: Mallett and Yuksel 2019; exact under D65 up to the 10 nm grid (IEC 61966-2-1)."""
    matrix = np.asarray(colour_science().RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB)
    back = xyz_of(picture_basis().T, "D65") @ matrix.T
    np.testing.assert_allclose(back, np.eye(3), atol=0.03)
    np.testing.assert_allclose(picture_basis().sum(axis=1), 1.0, atol=1e-3)
    assert picture_basis().min() > -0.005


def test_srgb_decoding_is_the_standard() -> None:
    """Source: colour-science eotf_sRGB (IEC 61966-2-1)."""
    codes = np.linspace(0, 1, 257, dtype=np.float32)
    reference = colour_science().models.eotf_sRGB(codes.astype(np.float64))
    np.testing.assert_allclose(decode_srgb(codes), reference, atol=2e-6)
    np.testing.assert_allclose(encode_srgb(decode_srgb(codes)), codes, atol=2e-6)


def test_a_grey_in_daylight_exposes_all_layers_alike() -> None:
    """Film is balanced for D55 (ISO 7589 daylight, from memory)."""
    film = load_film("film-a")
    flat = np.full(len(wavelengths_nm()), MID_GREY)
    np.testing.assert_allclose(film.layer_exposures(flat), MID_GREY)
    np.testing.assert_allclose(scene_exposure(film, "grey", 1.5)[5, 5], 1.0, rtol=0.002)
    np.testing.assert_allclose(scene_exposure(film, "chart", 1.5)[2, 2], 1.0, rtol=1e-6)


def test_tungsten_light_is_short_of_blue_and_long_of_red() -> None:
    """Source: CIE 15 tables of A and D55 in colour-science, read at the layers' peaks."""
    film = load_film("film-a")
    tables = colour_science().SDS_ILLUMINANTS
    peaks = wavelengths_nm()[film.sensitivity.argmax(axis=1)]
    ratio = np.array([tables["A"][nm] / tables["D55"][nm] for nm in peaks])
    exposure = scene_exposure(film, "grey", 1.5, "A")[5, 5]
    np.testing.assert_allclose(exposure / exposure[1], ratio / ratio[1], rtol=0.15)
    assert exposure[0] > 2 * exposure[2]


def test_turned_and_flipped_scenes_are_the_same_light_moved() -> None:
    plain = scene_light(Scene("coffee"), 1.0)
    np.testing.assert_array_equal(scene_light(Scene("coffee", flip=True), 1.0), plain[:, ::-1])
    np.testing.assert_array_equal(scene_light(Scene("coffee", turned=True), 1.0), np.rot90(plain))
    np.testing.assert_allclose(scene_light(Scene("coffee", gain=2.0), 1.0), plain * 2)


def test_sizing_keeps_mean_light() -> None:
    picture = scene_light("temple", 1.5)
    small = sized(picture, 120, 80)
    assert small.shape == (80, 120, 3)
    np.testing.assert_allclose(small.mean(axis=(0, 1)), picture.mean(axis=(0, 1)), rtol=0.01)
    assert sized(picture, 4000, 3000).shape == picture.shape


@given(ANGLES, st.booleans(), st.floats(5.0, 250.0), st.floats(2.0, 60.0))
def test_placement_keeps_lengths_and_comes_back(
    angle: float, mirrored: bool, u: float, px_per_mm: float
) -> None:
    placement = place((120.0, 20.0), 228.0, 35.0, angle, px_per_mm, mirrored)
    points = placement.to_scan([(0.0, 0.0), (u, 0.0), (0.0, 35.0)])
    assert np.linalg.norm(points[1] - points[0]) == pytest.approx(u * px_per_mm)
    assert placement.px_per_mm == pytest.approx(px_per_mm)
    back = points @ placement.inverse[:, :2].T + placement.inverse[:, 2]
    np.testing.assert_allclose(back, [(0, 0), (u, 0), (0, 35)], atol=1e-6)


@given(st.floats(-89.0, 89.0))
def test_positive_angles_turn_clockwise_as_displayed(angle: float) -> None:
    placement = place((50.0, 50.0), 40.0, 20.0, angle, 10.0)
    start, end = placement.to_scan([(0.0, 0.0), (40.0, 0.0)])
    assert end[1] - start[1] == pytest.approx(400 * np.sin(np.deg2rad(angle)), abs=1e-9)


def test_film_coordinates_of_pixels_undo_the_placement() -> None:
    placement = place((30.0, 20.0), 40.0, 20.0, 7.0, 8.0, mirrored=True)
    window = Window(40, 60, 90, 100)
    u, v = placement.to_film(window)
    back = placement.to_scan(np.column_stack([u.ravel(), v.ravel()]))
    y, x = np.mgrid[60:100, 40:90]
    np.testing.assert_allclose(back, np.column_stack([x.ravel(), y.ravel()]), atol=1e-3)


@given(st.floats(3.0, 40.0), st.floats(3.0, 30.0), st.floats(-0.5, 0.5))
def test_covered_area_is_the_rectangle_s(width: float, height: float, shift: float) -> None:
    y, x = np.mgrid[0:60, 0:60].astype(np.float32)
    x0, y0 = 10.0 + shift, 12.0 - shift
    distance = distance_to_rectangle(x, y, x0, y0, x0 + width, y0 + height)
    # A pixel centred on a corner counts half instead of a quarter: at most 1 for four corners.
    assert covered(distance).sum() == pytest.approx(width * height, abs=1.01)


def test_soft_edge_is_half_at_the_edge_and_whole_inside() -> None:
    distance = np.array([-1.0, -0.07, 0.0, 0.07, 1.0], np.float32)
    np.testing.assert_allclose(soft_inside(distance, 0.07), [1, 1, 0.5, 0, 0], atol=1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_a_chart_held_in_a_scene_keeps_its_colours_where_it_is_placed(seed: int) -> None:
    """Reference: OpenCV's perspectiveTransform of the flat chart's patches."""
    place = chart.placed(seed, 1.5)
    seen = scene_light(Scene("chart-in-scene", seed=seed), 1.5)
    size = np.array(seen.shape[1::-1])
    flat = chart.patches_in_frame(1.5)
    centres = cv2.perspectiveTransform(
        np.array([[patch.centre for patch in flat]]), place.homography(1.5)
    )[0]
    told = chart.patches_in_scene(place, 1.5)
    assert np.array([points[0] for _, points in told]) == pytest.approx(centres)
    left, top, right, bottom = chart.card_in_frame(1.5)
    for patch, (x, y) in zip(flat, centres * size, strict=True):
        across = (patch.centre[0] - left) / (right - left)
        down = (patch.centre[1] - top) / (bottom - top)
        stops = place.falloff_stops * (0.5 - down)
        if abs(across - place.shadow_to) < 0.08:
            continue
        stops -= place.shadow_stops * (across < place.shadow_to)
        want = np.array(patch.linear_srgb) * 2.0**stops
        assert seen[int(y), int(x)] == pytest.approx(want, rel=0.03, abs=0.01)


def test_a_placed_chart_lies_inside_the_frame_and_covers_its_share() -> None:
    shares = []
    for seed in range(200):
        corners = np.array(chart.placed(seed, 1.5).corners)
        assert corners.min() > 0
        assert corners.max() < 1
        shares.append(cv2.contourArea(corners.astype(np.float32)))
    assert min(shares) > 0.13
    assert 0.5 < max(shares) < 0.85
