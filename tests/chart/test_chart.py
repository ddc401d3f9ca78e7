"""The chart in frames of the film model, in drawn ones warped by scikit-image, and its greys."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import ProjectiveTransform, warp

from pipeline.chart.chart import (
    ChartReading,
    find_chart,
    grey_steps,
    middle_mean,
    patch_error,
    read_chart,
)
from pipeline.chart.match import chart_layout, is_shaded
from pipeline.densities.characteristic import characteristic
from tests.chart import charted
from tests.chart.charted import CORNERS, drawn_negative, frame_density, held_patches
from tests.chart.wedged import true_contrast
from tests.film_model import Scene, chart, film_names, load_film, scanner_names, scene_names
from tests.film_model.scene import CHART_IN_SCENE, scene_exposure

# Shares of the step from patch to patch; what is read of a patch lies well inside it then.
CORNER_OFF = 0.12
DENSITY_OFF = 0.015


def held(seed: int, stops: float) -> np.ndarray:
    films, scanners = film_names(), scanner_names()
    film, scanner = films[seed % len(films)], scanners[seed % len(scanners)]
    scene = Scene(CHART_IN_SCENE, seed=seed)
    return frame_density(film, scanner, scene, stops, seed=seed)


@pytest.mark.parametrize("stops", [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0])
def test_charts_held_in_scenes_are_found_the_right_way_round(stops):
    """Truth: the film model's own placing; the seeds are those of no other test."""
    found = 0
    for seed in range(int(700 + 10 * stops), int(710 + 10 * stops)):
        reading = find_chart(held(seed, stops))
        places = held_patches(seed)
        step = np.hypot(*(places[1, 0] - places[0, 0]))
        want = places[CORNERS, [1, 2, 3, 4]]
        if reading is not None and np.abs(reading.corners - want).max() < CORNER_OFF * step:
            found += 1
            assert reading.confidence > 0.9
    assert found >= 9


@pytest.mark.parametrize("seed", range(800, 806))
def test_patches_are_read_as_the_film_has_them(seed):
    """Reference: the film model's density without grain in the true middle of each patch."""
    scene = Scene(CHART_IN_SCENE, seed=seed)
    film, scanner = film_names()[seed % 6], scanner_names()[seed % len(scanner_names())]
    clean = frame_density(film, scanner, scene, noise=0.0)
    reading = find_chart(frame_density(film, scanner, scene, seed=seed))
    assert reading is not None
    x, y = np.rint(held_patches(seed)[:, 0]).astype(int).T
    off = np.abs(reading.densities - cv2.blur(clean, (3, 3))[y, x]).max(axis=1)
    assert np.median(off) < DENSITY_OFF / 2
    even = reading.spread.max(axis=1) < 0.05
    assert even.sum() >= 18
    assert off[even].max() < DENSITY_OFF


@pytest.mark.parametrize(("width", "aspect"), [(283, 1.5), (142, 0.67), (142, 1.0), (100, 1.5)])
def test_a_chart_that_fills_the_frame_is_found_at_any_resolution(width, aspect):
    patches = chart.patches_in_frame(aspect)
    want = [patches[i].corners[c] for c, i in enumerate(CORNERS)]
    want = np.array(want) * [width, round(width / aspect)] - 0.5
    step = (patches[1].left - patches[0].left) * width
    for film, scanner in zip(film_names(), scanner_names() * 6, strict=False):
        seen = frame_density(film, scanner, "chart", width=width, aspect=aspect)
        reading = find_chart(seen)
        assert reading is not None
        assert np.abs(reading.corners - want).max() < CORNER_OFF * step


@pytest.mark.parametrize("turns", range(4))
@pytest.mark.parametrize("mirrored", [False, True])
def test_turning_and_mirroring_the_picture_leaves_the_patches(turns, mirrored):
    picture = frame_density("film-b", "scanner-a", Scene(CHART_IN_SCENE, seed=3))
    plain = find_chart(picture)
    moved = np.rot90(picture, turns)
    moved = np.ascontiguousarray(moved[:, ::-1] if mirrored else moved)
    reading = find_chart(moved)
    assert plain is not None
    assert reading is not None
    assert reading.densities == pytest.approx(plain.densities, abs=0.02)


@settings(max_examples=25)
@given(
    st.floats(-18.0, 18.0),
    st.lists(st.floats(-12.0, 12.0), min_size=8, max_size=8),
    st.sampled_from([0.08, 0.15, 0.25]),
)
def test_a_published_chart_warped_by_another_library_is_found(turn, shifts, gap):
    """Homography and warp: scikit-image. Colours: colour-science's published average chart."""
    flat, corners = drawn_negative(gap)
    rows, columns = flat.shape[:2]
    middle = corners.mean(axis=0)
    rad = np.radians(turn)
    rotation = np.array([[np.cos(rad), -np.sin(rad)], [np.sin(rad), np.cos(rad)]])
    moved = (corners - middle) @ rotation.T * 0.85 + middle + np.array(shifts).reshape(4, 2)
    transform = ProjectiveTransform.from_estimate(corners, moved)
    size = (rows, columns)
    seen = warp(flat, transform.inverse, output_shape=size, mode="edge").astype(np.float32)
    reading = find_chart(seen)
    assert reading is not None
    # Corners are those of patches of the usual gap; these have others.
    assert np.abs(reading.corners - moved).max() < (0.12 + abs(gap - 0.13)) * 30
    places = transform(
        np.array([corners[0] + [12 + 30 * (n % 6), 12 + 30 * (n // 6)] for n in range(24)])
    )
    at = np.rint(places).astype(int)
    assert reading.densities == pytest.approx(seen[at[:, 1], at[:, 0]], abs=0.02)


@pytest.mark.parametrize("gap", [0.0, 0.05, 0.3, 0.4])
def test_borders_may_be_missing_or_wide(gap):
    picture, corners = drawn_negative(gap, 31)
    reading = find_chart(picture + np.random.default_rng(1).normal(0, 0.02, picture.shape))
    assert reading is not None
    assert reading.corners.mean(axis=0) == pytest.approx(corners.mean(axis=0), abs=1.0)
    middle = round(31 * (1 - gap)) // 2
    at = np.array([corners[0] + 0.5 + middle + [31 * (n % 6), 31 * (n // 6)] for n in range(24)])
    x, y = at.astype(int).T
    assert reading.densities == pytest.approx(picture[y, x], abs=0.02)


def test_other_scenes_hold_no_chart():
    """Scenes: all photographs and painted ones of the film model, walls and windows among them."""
    rng = np.random.default_rng(11)
    for name in scene_names():
        if name in ("chart", CHART_IN_SCENE):
            continue
        for _ in range(3):
            crop = (float(rng.random()), float(rng.random()), float(rng.uniform(0.3, 1.0)))
            scene = Scene(name, crop, seed=int(rng.integers(1000)))
            film = str(rng.choice(film_names()))
            picture = frame_density(film, "scanner-a", scene, float(rng.uniform(-2, 3)))
            assert find_chart(picture) is None, name


@pytest.mark.parametrize(("columns", "rows"), [(6, 4), (8, 6), (12, 8)])
def test_a_wall_of_coloured_tiles_is_no_chart(columns, rows):
    rng = np.random.default_rng(columns)
    for _ in range(20):
        wall = np.full((rows * 30 + 20, columns * 30 + 20, 3), 0.2, np.float32)
        for row in range(rows):
            for column in range(columns):
                y, x = 12 + row * 30, 12 + column * 30
                wall[y : y + 26, x : x + 26] = rng.uniform(0.2, 1.5, 3)
        assert find_chart(wall) is None


def test_corners_given_read_what_is_found():
    picture, corners = drawn_negative()
    found = find_chart(picture)
    assert found is not None
    for start in range(4):
        for step in (1, -1):
            given_order = np.roll(corners, start, axis=0)[::step]
            reading = read_chart(picture, given_order)
            assert reading.confidence == 1.0
            assert reading.densities == pytest.approx(found.densities, abs=1e-3)
            assert reading.corners == pytest.approx(corners)


def test_corners_of_something_else_are_not_believed():
    picture = frame_density("film-a", "scanner-a", "coffee")
    corners = np.array([[40, 40], [240, 40], [240, 150], [40, 150]])
    assert read_chart(picture, corners).confidence == 0.0


def test_dust_on_patches_hardly_changes_them():
    picture, _ = drawn_negative()
    plain = find_chart(picture)
    rng = np.random.default_rng(2)
    dusty = picture.copy()
    spots = rng.random(dusty.shape[:2]) < 0.02
    dusty[spots] = 2.5
    reading = find_chart(dusty)
    assert plain is not None
    assert reading is not None
    assert reading.densities == pytest.approx(plain.densities, abs=0.01)


@pytest.mark.parametrize("shape", [(3, 3, 3), (20, 400, 3), (189, 283, 3)])
def test_nothing_is_found_where_nothing_is(shape):
    assert find_chart(np.zeros(shape, np.float32)) is None
    assert find_chart(np.full(shape, np.nan, np.float32)) is None
    grain = np.random.default_rng(1).normal(0.5, 0.1, shape).astype(np.float32)
    assert find_chart(grain) is None


def test_a_large_picture_gives_corners_in_its_own_pixels():
    picture, corners = drawn_negative()
    large = cv2.resize(picture, None, fx=5, fy=5, interpolation=cv2.INTER_NEAREST)
    reading = find_chart(large)
    assert reading is not None
    assert (reading.corners + 0.5) / 5 - 0.5 == pytest.approx(corners, abs=2.0)


@given(st.lists(st.floats(-2.0, 2.0), min_size=10, max_size=40), st.integers(0, 2))
def test_middle_mean_stands_a_few_wild_pixels(values, wild):
    pixels = np.repeat(np.array(values)[:, None], 3, axis=1)
    pixels[:wild] = 1e6
    mean = middle_mean(pixels)
    assert min(values) - 1e-9 <= mean[0] <= max(values) + 1e-9
    assert len(set(mean.tolist())) == 1


def read(film: str, scanner: str, scene: str | Scene, stops: float = 0.0) -> ChartReading:
    found = find_chart(frame_density(film, scanner, scene, stops))
    assert found is not None
    return found


def off(reading: ChartReading, film: str, scanner: str) -> np.ndarray:
    """Return the relative error of the contrast (3,)."""
    logs, density, error = grey_steps(reading)
    curves = characteristic(logs, density, np.maximum(error, 0.003), np.zeros(3))
    assert curves is not None
    return np.array([c.contrast for c in curves]) / true_contrast(film, scanner) - 1.0


def test_exposures_are_those_of_colour_film():
    # The film model's layers see the same reflectances, ISO 17321-1's, through curves of their own.
    _, reflectances = chart.reflectances()
    exposures = np.log10(load_film("film-a").layer_exposures(reflectances[18:]))
    assert chart_layout().neutral_log_exposure == pytest.approx(exposures, abs=0.012)


@pytest.mark.parametrize("stops", [-1.0, 0.0, 2.0])
@pytest.mark.parametrize("film", film_names())
def test_a_chart_has_the_film_s_slopes(film, stops):
    reading = read(film, "scanner-a", "chart", stops)
    assert not is_shaded(reading.densities)
    assert np.abs(off(reading, film, "scanner-a")).max() < 0.03


@pytest.mark.parametrize("fall_stops", [-0.5, 0.5])
def test_light_that_falls_off_along_the_greys_is_taken_out(fall_stops, monkeypatch):
    def uneven(*told: object) -> np.ndarray:
        exposure = scene_exposure(*told)
        x = np.linspace(-0.5, 0.5, exposure.shape[1], dtype=np.float32)
        return exposure * np.exp2(fall_stops * x)[None, :, None]

    monkeypatch.setattr(charted, "scene_exposure", uneven)
    reading = read("film-c", "scanner-b", "chart")
    assert np.abs(off(reading, "film-c", "scanner-b")).max() < 0.03


def test_the_edge_of_a_shadow_is_seen():
    seen = []
    for seed in range(60):
        placing = chart.placed(seed, charted.ASPECT)
        if not placing.shadow_stops and len(seen) > 8:
            continue
        found = find_chart(
            frame_density("film-a", "scanner-a", Scene(CHART_IN_SCENE, seed=seed), seed=seed)
        )
        if found is not None and found.confidence >= 0.95:
            seen.append((placing.shadow_stops > 0, is_shaded(found.densities)))
    assert sum(shaded for shaded, _ in seen) >= 8
    assert all(shaded == told for shaded, told in seen)


def test_errors_are_smaller_on_larger_charts():
    reading = read("film-a", "scanner-a", "chart")
    _, _, error = grey_steps(reading)
    half = ChartReading(reading.densities, reading.corners / 2, reading.spread, 1.0)
    assert grey_steps(half)[2] == pytest.approx(2.0 * error, rel=1e-6)


def test_grain_is_averaged_out_and_a_shine_is_not():
    spread = np.full((24, 3), 0.02)
    spread[3] = [0.02, 0.02, 0.2]
    corners = np.array([[0.0, 0.0], [240.0, 0.0], [240.0, 160.0], [0.0, 160.0]])
    error = patch_error(ChartReading(np.zeros((24, 3)), corners, spread, 1.0))
    # A patch of 40 pixels is read in its middle, of under 20 by 20.
    assert error[0] == pytest.approx([0.02 / 9] * 3, rel=0.15)
    assert error[3, 2] > 0.15
    assert error[3, :2] == pytest.approx(error[0, :2])


@pytest.mark.parametrize("below", [True, False])
def test_a_chart_beside_another_is_found(below):
    """A grey scale of 24 steps is a larger grid than the chart, of another pitch."""
    picture, corners = drawn_negative()
    scale = np.full_like(picture, 0.25)
    for index, density in enumerate(np.linspace(1.3, 0.1, 24)):
        row, column = divmod(index, 6)
        y, x = 70 + 34 * row, 42 + 34 * column
        scale[y : y + 29, x : x + 29] = density
    stacked = np.concatenate([picture, scale] if below else [scale, picture])
    reading = find_chart(stacked)
    assert reading is not None
    assert reading.confidence > 0.95
    down = 0 if below else len(scale)
    assert reading.corners - [0, down] == pytest.approx(corners, abs=1.5)
