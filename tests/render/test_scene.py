"""Cutting, straightening and colouring a frame.

References: scikit-image's `warp` (its own interpolation, its own estimate of the transform) for
straightening, numpy's block means for reducing, the formulas of the colour model for the rest.
"""

import math
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import AffineTransform, warp

from pipeline.colour.unmask import RollColour
from pipeline.profile.curve import LayerCurve
from pipeline.profile.film import find_film
from pipeline.profile.space import find_space
from pipeline.render.cut import cut_light, picture_size
from pipeline.render.look import Levels, as_log
from pipeline.render.scene import to_density_above, to_light, to_scene
from pipeline.scan.scan import Scan, open_scan
from pipeline.scan.tiff_plane import Plane
from pipeline.strip.base import FilmBase, FrameBase
from pipeline.strip.density import Illumination
from tests.render.whole_pictures import as_share, cut_codes

HEIGHT, WIDTH = 160, 200
DARK = (0.01, 0.02, 0.015)
SHADED = ((-0.3, 0.02, -0.05, 0.01), (-0.7, -0.03, -0.04, 0.02), (-1.0, 0.01, -0.06, -0.02))

# The taps misplace an even slope by a two-hundredth of a pixel at most, scikit-image's cubic kernel
# (a = -0.5) by nothing: Keys' formula (1981, from memory), (2 a + 1) t (1 - t) (1 - 2 t); what it
# cuts off the crests of these waves is less.
MISPLACED_PX = 0.01
# Greatest change over a pixel of `smooth_picture`, both directions together.
STEEPEST = 0.25 / 9.0 + 0.2 / 7.0


def smooth_picture() -> np.ndarray:
    """Return waves of 25 pixels and more: nothing that interpolations disagree on."""
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    waves = [
        0.5 + 0.25 * np.sin(x / 9.0 + channel) + 0.2 * np.cos(y / 7.0 - channel)
        for channel in range(3)
    ]
    return np.stack(waves, axis=-1)


@pytest.fixture(scope="module")
def scan(tmp_path_factory) -> Scan:
    path = tmp_path_factory.mktemp("scan") / "s.tif"
    codes = np.rint(smooth_picture() * 65535).astype(np.uint16)
    tifffile.imwrite(path, codes, photometric="rgb", resolution=(1600, 1600), resolutionunit=2)
    (only,) = open_scan(path, gamma=1.0)
    return only


def turned(angle_deg: float, width: float = 90.0, height: float = 60.0, flip: bool = False):
    """Return the corners of a picture about the scan's middle, turned clockwise as displayed."""
    angle = math.radians(angle_deg)
    right = np.array([math.cos(angle), math.sin(angle)]) * width / 2
    down = np.array([-math.sin(angle), math.cos(angle)]) * height / 2
    right = -right if flip else right
    middle = np.array([98.3, 79.6])
    corners = (-right - down, right - down, right + down, down - right)
    return tuple((float(x), float(y)) for x, y in (middle + corner for corner in corners))


def reference(picture: np.ndarray, outline, rows: int, columns: int) -> np.ndarray:
    right, bottom = columns - 0.5, rows - 0.5
    edges = np.array([[-0.5, -0.5], [right, -0.5], [right, bottom], [-0.5, bottom]])
    transform = AffineTransform.from_estimate(edges, np.array(outline))
    return warp(picture, transform, order=3, output_shape=(rows, columns))


@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("angle_deg", [0.0, 0.31, -2.0, 7.5, 45.0, 90.0, 181.0, -90.0])
def test_straightened_light_is_that_of_scikit_image(scan, angle_deg, flip):
    outline = turned(angle_deg, flip=flip)
    light = cut_light(scan, outline)
    assert light.shape == (60, 90, 3)
    assert light.dtype == np.float32
    told = reference(smooth_picture(), outline, 60, 90)
    assert np.abs(light - told).max() <= MISPLACED_PX * STEEPEST


def test_upright_window_on_whole_pixels_is_not_resampled(scan):
    outline = ((19.5, 9.5), (59.5, 9.5), (59.5, 39.5), (19.5, 39.5))
    codes = cut_codes(scan, outline)
    assert codes.dtype == np.uint16
    assert (codes == np.rint(smooth_picture()[10:40, 20:60] * 65535)).all()


@settings(max_examples=30)
@given(st.floats(-180, 180), st.floats(2, 70), st.floats(2, 70))
def test_size_of_a_picture_does_not_hang_on_its_angle(angle_deg, width, height):
    rows, columns = picture_size(turned(angle_deg, width, height))
    assert abs(rows - height) <= 0.5 + 1e-6
    assert abs(columns - width) <= 0.5 + 1e-6


def test_codes_and_light_agree(scan):
    outline = turned(3.0)
    assert cut_codes(scan, outline) / 65535 == pytest.approx(cut_light(scan, outline), abs=2e-5)


def test_outline_that_reaches_over_the_scan_is_filled_from_its_edge(scan):
    outline = ((-10.5, 9.5), (29.5, 9.5), (29.5, 39.5), (-10.5, 39.5))
    light = cut_light(scan, outline)
    assert light.shape == (30, 40, 3)
    edge = smooth_picture()[10:40, :1]
    assert light[:, :10] == pytest.approx(np.broadcast_to(edge, (30, 10, 3)), abs=2e-5)


def test_only_the_window_of_the_frame_is_read(scan, monkeypatch):
    asked = []
    window = Plane.window

    def spy(plane: Plane, rows: tuple[int, int], columns: tuple[int, int], samples) -> np.ndarray:
        asked.append((rows, columns))
        return window(plane, rows, columns, samples)

    monkeypatch.setattr(Plane, "window", spy)
    cut_light(scan, ((49.5, 59.5), (89.5, 59.5), (89.5, 89.5), (49.5, 89.5)))
    ((rows, columns),) = asked
    # The pixels of the frame, and few besides.
    assert 50 <= rows[0] <= 60 < 90 <= rows[1] <= 100
    assert 40 <= columns[0] <= 46 < 94 <= columns[1] <= 100


def frame_base(left: float, right: float, top: float, bottom: float) -> FrameBase:
    return FrameBase(SHADED, left, right, top, bottom, Illumination(DARK, (0.9, 0.9, 0.9)))


@given(
    st.tuples(*[st.floats(-1, 1)] * 4),
    st.tuples(st.integers(1, 20), st.integers(1, 20)),
    st.floats(0, 2.5),
)
def test_shading_is_taken_out(sides, shape, density):
    left, right, top, bottom = sides
    rows, columns = shape
    # Written out anew: pixel centres lie half a pixel inside the sides.
    x = np.array([left + (c + 0.5) * (right - left) / columns for c in range(columns)])[None, :]
    y = np.array([top + (r + 0.5) * (bottom - top) / rows for r in range(rows)])[:, None]
    light = np.empty((rows, columns, 3))
    for channel, (flat, along, bow, across) in enumerate(SHADED):
        base = 10.0 ** (flat + along * x + bow * x**2 + across * y)
        light[..., channel] = DARK[channel] + base * 10.0**-density
    above = to_density_above(light.astype(np.float32), frame_base(*sides))
    assert above == pytest.approx(density, abs=2e-3)


def test_frame_sees_the_same_base_as_its_strip():
    base = FilmBase(
        (0.2,) * 3, (0.0,) * 3, 50.0, (0.5,) * 3, SHADED, frame_base(-1, 1, -1, 1).illumination
    )
    across, along = frame_base(-0.5, 0.3, -0.8, 0.9).log_light(7, 11)
    x = -0.5 + (np.arange(11)[None, :] + 0.5) / 11 * 0.8
    y = -0.8 + (np.arange(7)[:, None] + 0.5) / 7 * 1.7
    x, y = np.broadcast_arrays(x, y)
    assert across + along == pytest.approx(base.log_light(x, y), abs=1e-6)


@given(st.tuples(*[st.floats(-1, 1)] * 4), st.floats(-0.1, 2.5))
def test_light_of_a_density_is_what_was_scanned(sides, density):
    rng = np.random.default_rng(5)
    above = (density + rng.uniform(0, 0.5, (7, 11, 3))).astype(np.float32)
    light = to_light(above, frame_base(*sides))
    assert to_density_above(light, frame_base(*sides)) == pytest.approx(above, abs=2e-3)
    # The law itself, at one pixel: base less density, over the dark level.
    left, right, top, bottom = sides
    x, y = left + 3.5 * (right - left) / 11, top + 2.5 * (bottom - top) / 7
    flat, along, bow, across = SHADED[1]
    base = 10.0 ** (flat + along * x + bow * x**2 + across * y)
    assert light[2, 3, 1] == pytest.approx(
        DARK[1] + base * 10.0 ** -float(above[2, 3, 1]), rel=1e-4
    )


def test_light_at_or_under_the_dark_level_has_a_finite_density():
    light = np.zeros((3, 4, 3), np.float32)
    above = to_density_above(light, frame_base(-1, 1, -1, 1))
    assert np.isfinite(above).all()
    assert above.min() > 3.5


def roll_colour(**changes: object) -> RollColour:
    film = find_film("generic")
    told = {
        "unmask": film.unmask, "curves": film.curves, "balance": (0.0, 0.0, 0.0),
        "scene": film.scene, "exposure": 1.0, "how": "profile", "confidence": 0.5,
    }  # fmt: skip
    return RollColour(**told | changes)


@given(st.lists(st.tuples(*[st.floats(-2.0, 1.0)] * 3), min_size=1, max_size=6))
def test_scene_comes_back_from_the_densities_it_makes(log_exposures):
    colour = roll_colour(balance=(0.1, 0.0, -0.2), exposure=1.7)
    exposure = 10.0 ** np.array(log_exposures)
    layers = [curve.density(exposure[:, c]) for c, curve in enumerate(colour.curves)]
    scanner = np.stack(layers, axis=-1) @ np.linalg.inv(colour.unmask).T
    told = exposure * 1.7 * 10.0 ** np.array(colour.balance) @ np.asarray(colour.scene).T
    shown = to_scene(scanner[None].astype(np.float32), colour)[0]
    clear = (np.stack(layers, axis=-1) > 0.06).all(axis=-1)
    assert shown.dtype == np.float32
    # Where large terms cancel, single floats leave a millionth of them.
    assert shown[clear] == pytest.approx(told[clear], rel=3e-3, abs=1e-6 * exposure.max())


def test_bands_of_rows_leave_no_trace():
    above = np.random.default_rng(2).uniform(-0.1, 2.5, (600, 3, 3)).astype(np.float32)
    before = above.copy()
    whole = to_scene(above, roll_colour())
    rows = np.concatenate([to_scene(above[row : row + 1], roll_colour()) for row in range(600)])
    assert whole == pytest.approx(rows, rel=1e-5, abs=1e-7)
    assert (above == before).all()


def test_densest_light_of_the_steepest_film_is_finite():
    curve = LayerCurve(0.2, 1e-5, 4.0)
    above = np.array([[[6.0, 6.0, 6.0], [-2.0, -2.0, -2.0]]], np.float32)
    scene = to_scene(above, roll_colour(curves=(curve, curve, curve)))
    assert np.isfinite(scene).all()


# Densities of the open gate above a film base, less than nothing: by an orange mask (D-min of
# colour negative film, about 0.2, 0.6, 0.9; common practice, no source), by one evened out, and
# by bases that are weak in one channel.
@pytest.mark.parametrize(
    "base", [(0.18, 0.63, 0.94), (0.25, 0.7, 1.0), (0.6, 0.6, 0.6), (0.1, 0.6, 0.3)]
)
def test_perforations_are_black_not_coloured(base):
    above = -np.array([[base]], np.float32)
    scene = to_scene(above, roll_colour(balance=(0.01, 0.0, -0.05)))
    assert np.isfinite(scene).all()
    srgb = find_space("srgb")
    for look in ("print", "linear", "log"):
        shown = as_share(scene, look, srgb, Levels())
        # Two codes of eight bits: nobody sees them.
        assert shown.max() <= 2 / 255
    assert np.isfinite(as_log(scene)).all()


def test_noise_of_the_base_keeps_its_mean():
    above = np.random.default_rng(3).normal(0.0, 0.04, (80, 80, 3)).astype(np.float32)
    layers = np.stack([curve.exposure(np.array(0.0)) for curve in find_film("generic").curves])
    told = np.asarray(find_film("generic").scene) @ layers
    # Less than a thousandth of a perfect white.
    assert to_scene(above, roll_colour()).mean(axis=(0, 1)) == pytest.approx(told, abs=1e-3)


def test_scan_is_not_written_to(scan):
    before = Path(scan.path).read_bytes()
    cut_light(scan, turned(5.0))
    cut_codes(scan, turned(5.0))
    assert Path(scan.path).read_bytes() == before
