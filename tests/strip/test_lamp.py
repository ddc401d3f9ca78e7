"""The lamp's light over a scan, mapped through even areas put together by hand."""

import numpy as np
import pytest

from pipeline.strip.area import even_areas
from pipeline.strip.group import brightest_group
from pipeline.strip.illumination import find_levels
from pipeline.strip.lamp import Lamp, lamp_through

SHAPE = (300, 420)
BASE_DENSITY = np.array([0.08, 0.26, 0.70])


def away() -> np.ndarray:
    """Return the squared distance (h, w) from the middle, 1 in the corners."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    middle = (np.array(SHAPE) - 1) / 2
    return ((y - middle[0]) ** 2 + (x - middle[1]) ** 2) / (middle**2).sum()


def lens(stops: float) -> np.ndarray:
    """Return what a plain lens leaves (h, w): the cosine's fourth power, so many stops less."""
    # The natural fall-off of a lens (common optics: E = E0 cos^4 of the angle off its axis).
    return (1 + (2.0 ** (stops / 2) - 1) * away()) ** -2.0


def scene(lamp: np.ndarray, density: np.ndarray = BASE_DENSITY) -> np.ndarray:
    """Return a strip of base with dense pictures, light beside it, under a lamp (h, w)."""
    light = np.full((*SHAPE, 3), 0.9)
    light[90:210, 30:390] *= 10.0**-density
    for left in (40, 155, 270):
        light[105:195, left : left + 105] *= 10.0 ** -np.array([0.6, 0.7, 0.8])
    noise = np.random.default_rng(1).normal(1, 0.004, light.shape)
    return (light * lamp[..., None] * noise).astype(np.float32)


def base_density(light: np.ndarray, **how: bool) -> np.ndarray:
    levels = find_levels(light, np.zeros(SHAPE, bool), **how)
    assert levels is not None
    assert levels.illumination.absolute
    return -np.log10(np.array(levels.base_light) / levels.illumination.reference())


@pytest.mark.parametrize("stops", [0.0, 0.5, 1.5])
def test_the_map_is_the_lens_s_and_the_base_its_film_s(stops):
    lamp = lens(stops)
    light = scene(lamp)
    levels = find_levels(light, np.zeros(SHAPE, bool))
    assert levels is not None
    found = levels.lamp.over() + np.log10(np.array(levels.illumination.gate))
    assert found == pytest.approx(np.log10(0.9 * lamp)[..., None].repeat(3, 2), abs=0.01)
    assert base_density(light) == pytest.approx(BASE_DENSITY, abs=0.01)


@pytest.mark.parametrize("density", [(0.17, 0.26, 0.25), (0.2, 0.3, 0.22), (0.18, 0.41, 0.47)])
def test_a_base_of_any_tint_is_found_where_it_is_looked_for(density):
    light = scene(lens(0.3), np.array(density))
    assert base_density(light, grey=True) == pytest.approx(density, abs=0.01)


def test_a_halo_along_the_film_is_not_the_gate():
    light = scene(lens(0.0))
    light[86:90, 26:394] *= 1.06
    light[210:214, 26:394] *= 1.06
    assert base_density(light) == pytest.approx(BASE_DENSITY, abs=0.005)


def test_a_small_hole_in_the_holder_is_gate_enough():
    light = scene(lens(0.0))
    film = light[90:210, 30:390].copy()
    light[:] = 0.003
    light[90:210, 30:390] = film
    # 24 by 9 pixels are less than 0.2 % of the scan.
    light[4:13, 200:224] = 0.9
    assert base_density(light) == pytest.approx(BASE_DENSITY, abs=0.01)


def test_a_white_mask_beside_the_gate_is_not_of_its_lamp():
    light = scene(lens(0.0))
    light[:60], light[240:] = 0.78, 0.78
    assert base_density(light) == pytest.approx(BASE_DENSITY, abs=0.01)


def test_only_a_gate_on_a_border_may_be_as_warm_as_base():
    light = np.full((*SHAPE, 3), 0.003, np.float32)
    light[90:210, 30:390] = np.array([0.58, 0.3, 0.12])
    light[105:195, 60:360] *= np.array([0.75, 0.45, 0.35], np.float32)
    levels = find_levels(light, np.zeros(SHAPE, bool))
    assert levels is not None
    assert not levels.illumination.absolute
    assert levels.base_light == pytest.approx((0.58, 0.3, 0.12), rel=0.02)


def test_a_map_over_all_pixels_is_that_at_each():
    terms = tuple(map(tuple, np.random.default_rng(3).normal(size=(3, 7))))
    lamp = Lamp(terms, (23, 41))
    y, x = np.mgrid[:23, :41]
    assert lamp.over().reshape(-1, 3) == pytest.approx(lamp.at(x.ravel(), y.ravel()), abs=1e-5)
    light = np.random.default_rng(4).uniform(0.1, 0.9, (23, 41, 3)).astype(np.float32)
    even = lamp.evened(light, (0.01, 0.01, 0.01))
    back = (even - 0.01) * 10.0 ** lamp.over() + 0.01
    assert back == pytest.approx(light, rel=1e-3)


def test_a_group_smaller_than_asked_is_none():
    areas = even_areas(np.log10(scene(lens(0.0))))
    assert areas.size[brightest_group(areas, 30)].sum() > 10_000
    assert not len(brightest_group(areas, 10**6))


def test_levels_of_two_groups_differ_by_their_density():
    light = np.log10(scene(lens(1.0)))
    areas = even_areas(light)
    gate = brightest_group(areas, 30)
    film = -np.log10(0.9) + BASE_DENSITY
    base = np.flatnonzero(np.abs(areas.moments.light + film).max(axis=1) < 0.25)
    _, (first, second) = lamp_through(areas, (gate, base))
    assert first - second == pytest.approx(BASE_DENSITY, abs=0.01)


def test_a_gate_at_both_ends_is_one_though_its_first_end_leads_astray():
    """A holder's shade bends each end's light as no lens bends the whole."""
    light = scene(lens(0.0))
    film = light[90:210, 30:390].copy()
    light[:] = 0.003
    light[90:210] = 0.9
    light[90:210, 30:390] = film
    shaded = 1 - 0.2 * np.linspace(-1, 1, 120)[:, None, None] ** 2
    light[90:210, :30] *= shaded
    light[90:210, 390:] *= shaded
    assert base_density(light) == pytest.approx(BASE_DENSITY, abs=0.005)
