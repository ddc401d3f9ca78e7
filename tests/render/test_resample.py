"""Straightening held against exact waves, scikit-image and numpy's turns and mirrors.

The waves are sums of cosines, so that their values between the pixels are known; scikit-image's
`warp` has interpolation and transforms of its own.
"""

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import ProjectiveTransform, SimilarityTransform, warp

from pipeline.render.resample import MARGIN_PX
from pipeline.render.resample_kernel import tap_terms
from pipeline.turn import TURNS_DEG, Turn
from tests.render.whole_pictures import ArrayLines, straightened

HEIGHT, WIDTH = 220, 240
MIDDLE = (118.37, 108.81)
KINDS = (np.uint8, np.uint16, np.float32)
NEARLY_LEVEL = (0.1, -0.37, 1.0, -3.0)
QUARTERS = (0.0, 90.0, 180.0, 270.0)


def outline(angle_deg: float, rows: float, columns: float, middle=MIDDLE, flip: bool = False):
    """Return the corners of a picture turned clockwise as displayed; mirrored if `flip`."""
    angle = math.radians(angle_deg)
    right = np.array([math.cos(angle), math.sin(angle)]) * columns / 2
    down = np.array([-math.sin(angle), math.cos(angle)]) * rows / 2
    right = -right if flip else right
    corners = (-right - down, right - down, right + down, down - right)
    return tuple((float(x), float(y)) for x, y in (np.array(middle) + c for c in corners))


def places(corners, rows: int, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Return x and y in the scan of a picture's pixel centres, straight from its corners."""
    first, second, _, last = np.array(corners)
    u, v = np.meshgrid((np.arange(columns) + 0.5) / columns, (np.arange(rows) + 0.5) / rows)
    x, y = (first[i] + u * (second - first)[i] + v * (last - first)[i] for i in (0, 1))
    return x, y


class Waves:
    """Forty cosines in random directions, up to a highest frequency in cycles a pixel."""

    def __init__(self, highest: float, seed: int) -> None:
        random = np.random.default_rng(seed)
        length, way = highest * np.sqrt(random.random(40)), random.random(40) * 2 * np.pi
        self.turns = 2 * np.pi * np.stack([length * np.cos(way), length * np.sin(way)])
        self.starts = random.random(40) * 2 * np.pi

    def at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        phases = x[..., None] * self.turns[0] + y[..., None] * self.turns[1] + self.starts
        grey = 0.5 + 0.15 * np.cos(phases).sum(axis=-1) / math.sqrt(40)
        return np.stack([grey, 1.0 - grey, 0.5 * grey], axis=-1)

    def picture(self) -> np.ndarray:
        y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
        return self.at(x, y)


def decibels(shown: np.ndarray, told: np.ndarray) -> float:
    return float(-10 * np.log10(np.mean((shown.astype(float) - told) ** 2)))


def noise(kind: type, seed: int, rows: int = 60, columns: int = 70) -> np.ndarray:
    values = np.random.default_rng(seed).random((rows, columns, 3))
    full = 1.0 if kind is np.float32 else np.iinfo(kind).max
    return (values * full).astype(kind)


@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("quarter", QUARTERS)
@pytest.mark.parametrize("angle_deg", NEARLY_LEVEL)
def test_waves_come_out_as_they_are(angle_deg, quarter, flip):
    # What is left is the kernel's own error, which grows with frequency: 1 part in 4000 of full
    # scale up to a wave of 5 pixels, 1 in 800 of 4 pixels.
    for highest, least in ((0.1, 78.0), (0.2, 72.0), (0.25, 62.0)):
        waves = Waves(highest, seed=round(abs(angle_deg * 100) + quarter))
        corners = outline(angle_deg + quarter, 140, 150, flip=flip)
        shown = straightened(waves.picture().astype(np.float32), corners, (0, 0), (140, 150))
        assert decibels(shown, waves.at(*places(corners, 140, 150))) > least


@pytest.mark.parametrize("moved", [0.0, 3.0])
@pytest.mark.parametrize("angle_deg", [0.02, 0.4, -1.1, 3.0])
def test_wide_pictures_have_no_seams(angle_deg, moved):
    # Wider than what is done at a time, along rows and along columns, level and seen aslant.
    rows, columns = 40, 1300
    waves, middle = Waves(0.1, seed=8), (680.2, 80.7)
    y, x = np.mgrid[:160, :1370].astype(float)
    corners = np.array(outline(angle_deg, rows, columns, middle))
    corners[1, 1] += moved
    box = [(-0.5, -0.5), (columns - 0.5, -0.5), (columns - 0.5, rows - 0.5), (-0.5, rows - 0.5)]
    way = ProjectiveTransform.from_estimate(np.array(box), corners)
    u, v = np.meshgrid(np.arange(columns, dtype=float), np.arange(rows, dtype=float))
    told = waves.at(*way(np.column_stack([u.ravel(), v.ravel()])).T).reshape(rows, columns, 3)
    picture = waves.at(x, y).astype(np.float32)
    shown = straightened(picture, tuple(map(tuple, corners.tolist())), (0, 0), (rows, columns))
    assert np.abs(shown - told).max() < 2e-3


@pytest.mark.parametrize("angle_deg", [*NEARLY_LEVEL, 12.0, 44.0, -44.0, 46.0, 133.0])
def test_picture_is_that_of_scikit_image(angle_deg):
    picture = Waves(0.12, seed=3).picture()
    rows, columns = 100, 110
    angle = math.radians(angle_deg)
    corner = np.array(MIDDLE) - _turned(np.array([(columns - 1) / 2, (rows - 1) / 2]), angle)
    told = warp(
        picture, SimilarityTransform(rotation=angle, translation=corner),
        order=5, output_shape=(rows, columns),
    )  # fmt: skip
    corners = outline(angle_deg, rows, columns)
    shown = straightened(picture.astype(np.float32), corners, (0, 0), (rows, columns))
    assert decibels(shown, told) > 68.0


@pytest.mark.parametrize("quarter", QUARTERS)
@pytest.mark.parametrize("flip", [False, True])
def test_picture_seen_aslant_is_that_of_scikit_image(quarter, flip):
    rows, columns = 100, 110
    picture = Waves(0.12, seed=4).picture()
    moved = np.array(outline(3.0 + quarter, rows, columns, flip=flip))
    moved += [(3.0, 1.5), (-2.5, -4.0), (4.5, 2.0), (-1.0, 3.5)]
    right, below = columns - 0.5, rows - 0.5
    box = np.array([(-0.5, -0.5), (right, -0.5), (right, below), (-0.5, below)])
    way = ProjectiveTransform.from_estimate(box, moved)
    told = warp(picture, way, order=5, output_shape=(rows, columns))
    corners = tuple(map(tuple, moved.tolist()))
    shown = straightened(picture.astype(np.float32), corners, (0, 0), (rows, columns))
    assert decibels(shown, told) > 68.0


def test_a_picture_that_is_hardly_aslant_is_that_of_its_parallelogram():
    picture = Waves(0.2, seed=5).picture().astype(np.float32)
    corners = np.array(outline(0.4, 120, 130))
    level, aslant = (
        straightened(picture, tuple(map(tuple, corners + move)), (0, 0), (120, 130))
        for move in (0.0, [(0.0, 0.0), (0.0, 0.0), (0.02, 0.02), (0.0, 0.0)])
    )
    assert np.abs(level - aslant).max() < 0.01


def _turned(point: np.ndarray, angle: float) -> np.ndarray:
    x, y = point
    return np.array(
        [x * math.cos(angle) - y * math.sin(angle), x * math.sin(angle) + y * math.cos(angle)]
    )


@pytest.mark.parametrize("kind", KINDS)
def test_picture_on_whole_pixels_is_left_as_it_is(kind):
    picture = noise(kind, 1)
    level = ((9.5, 4.5), (59.5, 4.5), (59.5, 44.5), (9.5, 44.5))
    # A thousandth of a pixel over the whole picture is no tilt.
    nearly = tuple((x + 1e-3, y - 1e-3) for x, y in level)
    for corners in (level, nearly):
        shown = straightened(picture, corners, (0, 0), (40, 50))
        assert shown.dtype == kind
        assert (shown == picture[5:45, 10:60]).all()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("quarters", range(4))
def test_quarter_turns_and_mirrors_are_exact(kind, quarters, flip):
    picture = noise(kind, 2)
    rows, columns = (60, 70) if quarters % 2 == 0 else (70, 60)
    corners = outline(90.0 * quarters, rows, columns, middle=(34.5, 29.5), flip=flip)
    told = np.rot90(picture, quarters)
    told = told[:, ::-1] if flip else told
    assert (straightened(picture, corners, (0, 0), (rows, columns)) == told).all()


angles = st.floats(-180, 180)
middles = st.tuples(st.floats(25, 45), st.floats(25, 35))
seeds = st.integers(0, 1000)


@settings(max_examples=40)
@given(angles, middles, seeds, st.sampled_from(KINDS), st.integers(0, 3))
def test_turning_scan_and_outline_together_changes_nothing(angle_deg, middle, seed, kind, quarters):
    picture = noise(kind, seed)
    corners = outline(angle_deg, 23, 31, middle)
    turned = corners
    for width in (70, 60, 70)[:quarters]:
        # As numpy's rot90 does, which turns against the clock.
        turned = tuple((y, width - 1 - x) for x, y in turned)
    shown = straightened(np.rot90(picture, quarters), turned, (0, 0), (23, 31))
    assert_same(shown, straightened(picture, corners, (0, 0), (23, 31)))


@settings(max_examples=40)
@given(angles, middles, seeds, st.sampled_from(KINDS))
def test_mirrored_scan_gives_the_same_picture(angle_deg, middle, seed, kind):
    picture = noise(kind, seed)
    corners = outline(angle_deg, 23, 31, middle)
    mirrored = tuple((69 - x, y) for x, y in corners)
    shown = straightened(picture[:, ::-1], mirrored, (0, 0), (23, 31))
    assert_same(shown, straightened(picture, corners, (0, 0), (23, 31)))


@settings(max_examples=40)
@given(angles, middles, seeds, st.sampled_from(KINDS))
def test_mirrored_outline_gives_a_mirrored_picture(angle_deg, middle, seed, kind):
    picture = noise(kind, seed)
    first, second, third, fourth = outline(angle_deg, 23, 31, middle)
    shown = straightened(picture, (second, first, fourth, third), (0, 0), (23, 31))
    told = straightened(picture, (first, second, third, fourth), (0, 0), (23, 31))
    assert_same(shown, told[:, ::-1])


turns = st.builds(Turn, st.sampled_from(TURNS_DEG), st.booleans())


@settings(max_examples=80)
@given(angles, middles, seeds, st.sampled_from(KINDS), turns)
def test_turned_picture_is_what_numpy_turns_the_picture_to(angle_deg, middle, seed, kind, turn):
    picture = noise(kind, seed)
    corners = outline(angle_deg, 23, 31, middle)
    told = straightened(picture, corners, (0, 0), (23, 31))
    told = told[:, ::-1] if turn.mirror else told
    told = np.rot90(told, -turn.turn_deg // 90)
    shown = straightened(picture, turn.corners(corners), (0, 0), told.shape[:2], turn.swaps)
    assert_same(shown, told)


@settings(max_examples=80)
@given(st.floats(-30, 30), seeds, st.lists(st.floats(-5, 5), min_size=8, max_size=8), turns)
def test_picture_seen_aslant_is_turned_with_its_places(angle_deg, seed, moves, turn):
    # A piece of a row strays by a 256th of a pixel at most, either way, and the steepest slope of
    # noise under this kernel is about 3 a pixel.
    picture = noise(np.float32, seed)
    corners = np.array(outline(angle_deg, 23, 31, (34.0, 30.0))) + np.reshape(moves, (4, 2))
    corners = tuple(map(tuple, corners.tolist()))
    told = turn.picture(straightened(picture, corners, (0, 0), (23, 31)))
    shown = straightened(picture, turn.corners(corners), (0, 0), told.shape[:2], turn.swaps)
    assert np.abs(shown - told).max() < 2 * 3 / 256


def assert_same(shown: np.ndarray, told: np.ndarray) -> None:
    """Assert that two pictures differ by rounding only: a code, or what a float32 holds."""
    assert shown.dtype == told.dtype
    step = 2e-5 if told.dtype.kind == "f" else 1
    assert np.abs(shown.astype(float) - told.astype(float)).max() <= step


@settings(max_examples=60)
@given(angles, middles, st.floats(0, 1), st.sampled_from(KINDS))
def test_even_colour_stays_what_it_is(angle_deg, middle, level, kind):
    full = 1.0 if kind is np.float32 else np.iinfo(kind).max
    picture = np.full((60, 70, 3), level * full, kind)
    shown = straightened(picture, outline(angle_deg, 40, 50, middle), (0, 0), (40, 50))
    assert shown.dtype == kind
    assert (shown == picture[0, 0, 0]).all()


@settings(max_examples=60)
@given(
    st.floats(-12, 12), middles, st.sampled_from(KINDS), st.floats(0.01, 0.99),
    st.integers(0, 1), st.booleans(),
)  # fmt: skip
def test_nothing_rings_beside_a_hard_edge(angle_deg, middle, kind, level, axis, dark_first):
    full = 1.0 if kind is np.float32 else np.iinfo(kind).max
    picture = np.full((60, 70, 3), full, kind)
    half = picture[:30] if axis == 0 else picture[:, :35]
    half[...] = level * full
    if not dark_first:
        picture = np.flip(picture, axis)
    shown = straightened(picture, outline(angle_deg, 30, 40, middle), (0, 0), (30, 40))
    assert shown.min() >= picture.min()
    assert shown.max() <= picture.max()
    # Across the edge it only falls or only rises.
    steps = np.diff(shown.astype(float), axis=axis)
    assert not ((steps.min() < -1e-6 * full) and (steps.max() > 1e-6 * full))


def test_a_spline_would_ring_there():
    picture = np.full((60, 70), 1.0)
    picture[:, :35] = 0.02
    transform = SimilarityTransform(rotation=0.02, translation=(0.3, 0.4))
    assert warp(picture, transform, order=5, mode="edge", clip=False).max() > 1.05


@pytest.mark.parametrize("kind", KINDS)
def test_no_ring_around_a_speck(kind):
    full = 1.0 if kind is np.float32 else np.iinfo(kind).max
    y, x = np.mgrid[:60, :70]
    for radius in (0.5, 1.0, 1.5, 2.5, 4.0):
        speck = (np.hypot(x - 34.3, y - 29.8) < radius)[..., None]
        for inside, around in ((0.05, 0.6), (0.6, 0.05)):
            picture = (np.where(speck, inside, around) * full).repeat(3, axis=2).astype(kind)
            shown = straightened(picture, outline(1.1, 40, 50, (34.2, 29.9)), (0, 0), (40, 50))
            even = picture[0, 0, 0]
            beyond = shown.astype(float) - even if inside < around else even - shown.astype(float)
            assert beyond.max() <= 0
            # The speck itself: at most a quarter more contrast a pass, and never without light.
            assert shown.min() >= 0.75**2 * min(inside, around) * full - 1
            assert shown.max() <= (max(inside, around) + (1.25**2 - 1) * 0.55) * full + 1


@settings(max_examples=40)
@given(angles, middles, seeds)
def test_crests_rise_and_troughs_sink_by_a_quarter_at_most(angle_deg, middle, seed):
    picture = noise(np.float32, seed)
    shown = straightened(picture, outline(angle_deg, 23, 31, middle), (0, 0), (23, 31))
    assert shown.min() >= 0.0
    assert shown.max() <= 1.25**2


def test_full_codes_do_not_wrap_round():
    y, x = np.mgrid[:60, :70]
    lines = np.where((x // 2 + y // 2) % 2, 65535, 0).astype(np.uint16)
    picture = np.repeat(lines[..., None], 3, axis=2)
    inverse = straightened(65535 - picture, outline(1.3, 30, 40, (35, 30)), (0, 0), (30, 40))
    shown = straightened(picture, outline(1.3, 30, 40, (35, 30)), (0, 0), (30, 40))
    assert shown.max() == 65535
    # Where one is light the other is dark.
    assert np.corrcoef(shown.ravel(), inverse.ravel())[0, 1] < -0.97


@pytest.mark.parametrize("angle_deg", [0.0, 0.8, 91.0, 179.0, 40.0])
def test_window_with_its_margin_is_all_that_is_needed(angle_deg):
    picture = noise(np.float32, 5, HEIGHT, WIDTH)
    corners = outline(angle_deg, 60, 80)
    low = np.floor(np.min(corners, axis=0) - MARGIN_PX).astype(int)
    high = np.ceil(np.max(corners, axis=0) + MARGIN_PX).astype(int) + 1
    window = picture[low[1] : high[1], low[0] : high[0]]
    shown = straightened(window, corners, (low[0], low[1]), (60, 80))
    told = straightened(picture, corners, (0, 0), (60, 80))
    assert shown == pytest.approx(told, abs=2e-6)


@pytest.mark.parametrize("moved", [0.0, 0.3, 3.0])
@pytest.mark.parametrize("angle_deg", [0.02, -1.1, 91.0])
def test_no_more_than_the_window_is_asked_for(angle_deg, moved, monkeypatch):
    asked = []
    planes = ArrayLines.planes
    monkeypatch.setattr(
        ArrayLines,
        "planes",
        lambda lines, *window: asked.append(window) or planes(lines, *window),
    )
    # Somewhat wider than whole pieces, of whatever length.
    rows, columns, middle = 40, 1300, (690.3, 690.7)
    corners = np.array(outline(angle_deg, rows, columns, middle))
    corners[1, 1] += moved
    picture = np.zeros((1400, 1400, 3), np.float32)
    straightened(picture, tuple(map(tuple, corners.tolist())), (0, 0), (rows, columns))
    low, high = corners.min(axis=0) - MARGIN_PX, corners.max(axis=0) + MARGIN_PX + 1
    # Rows and columns of the picture upright.
    firsts, lasts = np.array(asked).min(axis=0)[:, 0], np.array(asked).max(axis=0)[:, 1]
    most = sorted(high - low)
    assert (lasts - firsts <= most).all()


@pytest.mark.parametrize("angle_deg", [0.0, 0.6])
def test_edge_of_the_window_goes_on_beyond_it(angle_deg):
    picture = noise(np.uint16, 6)
    wide = np.pad(picture, ((50, 50), (50, 50), (0, 0)), mode="edge")
    corners = outline(angle_deg, 90, 100, (36.2, 30.1))
    shown = straightened(picture, corners, (0, 0), (90, 100))
    assert (shown == straightened(wide, corners, (-50, -50), (90, 100))).all()


@pytest.mark.parametrize("kind", [np.float64, np.float16])
def test_other_floats_become_single(kind):
    picture = noise(np.float32, 7).astype(kind)
    shown = straightened(picture, outline(2.0, 30, 40, (35, 30)), (0, 0), (30, 40))
    assert shown.dtype == np.float32


def test_any_number_of_channels_goes_through_unmixed():
    picture = noise(np.float32, 8)
    corners = outline(2.0, 30, 40, (35, 30))
    five = np.concatenate([picture, picture[..., :2]], axis=2)
    shown = straightened(five, corners, (0, 0), (30, 40))
    for channel in range(5):
        one = picture[..., channel % 3, None]
        assert (straightened(one, corners, (0, 0), (30, 40))[..., 0] == shown[..., channel]).all()


def test_pixels_are_only_read():
    picture = noise(np.uint16, 9)
    before = picture.copy()
    picture.flags.writeable = False
    straightened(picture, outline(2.0, 30, 40, (35, 30)), (0, 0), (30, 40))
    assert (picture == before).all()


def test_outline_without_area_is_refused():
    with pytest.raises(ValueError, match="no area"):
        straightened(noise(np.uint8, 1), ((5.0, 5.0),) * 4, (0, 0), (1, 1))


@given(st.floats(0, 1))
def test_taps_sum_to_one_and_are_a_single_one_on_a_pixel(place):
    even, odd = (terms.astype(float) for terms in tap_terms())
    middle = place - 0.5
    powers = middle ** (2 * np.arange(even.shape[1]))
    same, other = even @ powers, odd @ powers * middle
    weights = np.concatenate([same + other, (same - other)[::-1]])
    assert weights.sum() == pytest.approx(1.0, abs=1e-6)
    # The sinc has its zeros on all pixels but one.
    if place in (0.0, 1.0):
        assert weights == pytest.approx(np.eye(8)[3 + int(place)], abs=1e-6)
    # An even slope is misplaced by a two-hundredth of a pixel at most.
    assert weights @ np.arange(-3, 5) == pytest.approx(place, abs=5e-3)


def test_compiler_is_loaded_only_when_needed():
    told = (
        "import sys, pipeline.command.cli, pipeline.roll.convert; sys.exit('numba' in sys.modules)"
    )
    folder = Path(__file__).parents[2]
    assert subprocess.run([sys.executable, "-c", told], cwd=folder, check=False).returncode == 0
