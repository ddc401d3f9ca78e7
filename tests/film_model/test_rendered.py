"""Rendered scenes: geometry against closed forms, statistics against those of photographs."""

from itertools import pairwise

import cv2
import numpy as np
import pytest

from tests.film_model.picture import OWN_PICTURES, OWN_SIZE, picture_codes, picture_names
from tests.film_model.rendered.__main__ import small_picture
from tests.film_model.rendered.tabletop import met
from tests.film_model.rendered.terrain import Land, depths
from tests.film_model.rendered.views import render
from tests.film_model.scene import Scene, scene_light

SMALL = (160, 240)


def test_flat_land_lies_where_a_pinhole_camera_sees_it() -> None:
    """A plane `eye` below the lens: distance = focal length x eye / rows below the horizon."""
    land = Land(1, eye_m=60.0, hills_m=0.0, mountains_m=0.0, wood=0.0, fields=0.0)
    seen = depths(land, 9, 200)
    below = np.arange(200) - land.horizon * 200
    rows = (below > 4) & (seen[:, 4] > 0)
    expected = land.focal * 200 * 60.0 / below[rows]
    assert rows.sum() > 80
    assert seen[rows, 4] == pytest.approx(expected, rel=0.01)
    assert not seen[below < -1].any()


@pytest.mark.parametrize("kind", [0, 1, 2])
def test_a_ray_meets_a_solid_of_half_size_one_at_its_side(kind: int) -> None:
    solid = np.array([kind, 2.0, 1.0, 5.0, 1.0, 1.0, 1.0, 0.0, 0.5, 0.5, 0.5, 0])
    normal, ahead = np.zeros(3), np.array([0.0, 0.0, 1.0])
    assert met(solid, np.array([2.0, 1.0, -3.0]), ahead, normal) == pytest.approx(7.0)
    assert normal == pytest.approx([0.0, 0.0, -1.0])
    assert met(solid, np.array([3.2, 1.0, -3.0]), ahead, normal) > 1e8


@pytest.mark.parametrize(("name", "seed"), [("fruit", 3), ("front", 6), ("valley", 12)])
def test_detail_falls_off_as_in_photographs(name: str, seed: int) -> None:
    """Amplitude falls with frequency to a power of 0.7 to 1.6.

    Source, from memory: Tolhurst, Tadmor and Chao 1992, 135 photographs, mean 1.2.
    """
    grey = np.sqrt(render(name, SMALL, seed).mean(axis=2))
    windowed = (grey - grey.mean()) * np.outer(np.hanning(SMALL[0]), np.hanning(SMALL[1]))
    amplitude = np.abs(np.fft.fft2(windowed))
    down, along = (np.fft.fftfreq(side) for side in SMALL)
    frequency = np.hypot(down[:, None], along[None])
    edges = np.geomspace(0.02, 0.35, 9)
    rings = [
        amplitude[(low <= frequency) & (frequency < high)].mean() for low, high in pairwise(edges)
    ]
    slope = np.polyfit(np.log(np.sqrt(edges[:-1] * edges[1:])), np.log(rings), 1)[0]
    assert -1.6 < slope < -0.7


def test_a_scene_is_the_same_at_any_fineness() -> None:
    coarse = scene_light(Scene("front", seed=2), 1.5, 400)
    fine = scene_light(Scene("front", seed=2), 1.5, 800)
    assert (coarse.shape, fine.shape) == ((400, 600, 3), (800, 1200, 3))
    small = cv2.resize(fine, (75, 50), interpolation=cv2.INTER_AREA)
    smaller = cv2.resize(coarse, (75, 50), interpolation=cv2.INTER_AREA)
    assert np.abs(small - smaller).mean() < 0.01 < small.std()


def test_a_seed_is_a_picture_and_another_seed_another() -> None:
    first = render("fruit", SMALL, 5)
    render.cache_clear()
    assert (render("fruit", SMALL, 5) == first).all()
    assert np.abs(render("fruit", SMALL, 6) - first).mean() > 0.02


def test_the_small_pictures_are_what_the_renderer_makes() -> None:
    """JPEG of quality 92 leaves about 1 code of error in the mean (measured)."""
    stored = picture_codes("house").astype(float)
    assert stored.shape == (*OWN_SIZE, 3)
    assert np.abs(stored - 255 * small_picture("house")).mean() < 4.0


def test_no_picture_shows_a_person_or_a_make() -> None:
    """The names of those that do, as scikit-image has them."""
    assert not {"astronaut", "camera", "rocket", "motorcycle", "lfw"} & set(picture_names())
    assert set(OWN_PICTURES) < set(picture_names())
