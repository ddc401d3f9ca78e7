"""Film before uneven light: what is behind it is carried on behind it."""

import cv2
import numpy as np
import pytest

from pipeline.strip.backdrop import find_backdrop

BASE_DENSITY = (0.2, 0.55, 0.8)
SIZE = (300, 420)
FILM = (slice(110, 190), slice(40, 380))


def scenery(seed: int) -> np.ndarray:
    """Return smooth light (h, w, 3), by a factor of four from its lightest to its darkest."""
    coarse = np.random.default_rng(seed).uniform(-0.3, 0.3, (3, 4, 1)) + np.zeros(3)
    logs = cv2.resize(coarse, SIZE[::-1], interpolation=cv2.INTER_CUBIC)
    return (0.4 * 10.0 ** (logs + np.array([-0.03, 0.0, 0.03]))).astype(np.float32)


def film_over(light: np.ndarray) -> np.ndarray:
    shown = light.copy()
    shown[FILM] *= 10.0 ** -np.array(BASE_DENSITY, np.float32)
    # A dense picture in the middle, holes along a side.
    shown[130:170, 100:300] *= 0.1
    for x in range(50, 370, 12):
        shown[114:120, x : x + 5] = light[114:120, x : x + 5]
    return shown


@pytest.mark.parametrize("seed", range(3))
def test_light_around_film_is_carried_on_behind_it(seed):
    light = scenery(seed)
    backdrop = find_backdrop(film_over(light))
    assert backdrop is not None
    off = np.log10(backdrop.evened(light)).mean(axis=2)
    before = np.log10(light).mean(axis=2)
    around = np.ones(SIZE, bool)
    around[100:200, 30:390] = False
    assert np.ptp(off[around]) < 0.05
    rebate = off[122:128, 50:370]
    assert np.abs(rebate - np.median(off[around])).max() < 0.1
    assert off[FILM].std() < 0.5 * before[FILM].std()


def test_what_is_of_one_colour_has_no_backdrop():
    light = scenery(1)
    assert find_backdrop(light) is None
    assert find_backdrop(light * 10.0 ** -np.array(BASE_DENSITY, np.float32)) is None


def test_film_that_fills_the_picture_tells_nothing_of_what_is_behind():
    light = scenery(2)
    shown = light * 10.0 ** -np.array(BASE_DENSITY, np.float32)
    shown[:12] = light[:12]
    assert find_backdrop(shown) is None


def test_a_finger_is_no_backdrop():
    light = scenery(0)
    shown = film_over(light)
    shown[150:, 360:400] = 0.004
    backdrop = find_backdrop(shown)
    assert backdrop is not None
    assert np.abs(backdrop.over(SIZE)[160:180, 330:350]).max() < 0.5
