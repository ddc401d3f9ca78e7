"""Even areas and their rims, and which lie nearest, against scipy's own."""

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial import cKDTree

from pipeline.strip.area import Areas, even_areas, map_terms
from pipeline.strip.area_kernel import meet

SHAPE = (90, 140)


def patches() -> np.ndarray:
    """Return log10 light (h, w, 3) of even patches of several sizes, one on the border."""
    light = np.full((*SHAPE, 3), -0.02, np.float32)
    for level, (top, left, high, wide) in enumerate(
        [(0, 0, 30, 20), (10, 40, 40, 60), (60, 20, 25, 15), (55, 60, 30, 70), (5, 115, 40, 12)]
    ):
        light[top : top + high, left : left + wide] = -0.2 - 0.15 * level
    return light


def found() -> Areas:
    return even_areas(patches())


def test_rims_and_borders_are_those_of_an_erosion():
    areas = found()
    assert len(areas) == 6
    for area in range(len(areas)):
        pixels, rim = areas.pixels.of(area), areas.rim.of(area)
        level = areas.pixels.log_light[pixels][0, 0]
        left, right, top, bottom = areas.box[area]
        assert np.ptp(areas.pixels.log_light[pixels]) == pytest.approx(0.0, abs=1e-6)
        assert (areas.rim.x[rim].min(), areas.rim.x[rim].max()) == (left, right)
        assert (areas.rim.y[rim].min(), areas.rim.y[rim].max()) == (top, bottom)
        edge = left == 0 or top == 0 or right == SHAPE[1] - 1 or bottom == SHAPE[0] - 1
        assert areas.at_border[area] == edge
        if areas.size[area] < 600:
            mask = np.zeros(SHAPE, bool)
            mask[areas.pixels.y[pixels].astype(int), areas.pixels.x[pixels].astype(int)] = True
            expected = mask & ~ndimage.binary_erosion(mask, np.ones((3, 3)))
            assert rim.stop - rim.start == expected.sum()
            assert expected[areas.rim.y[rim].astype(int), areas.rim.x[rim].astype(int)].all()
        assert areas.moments.light[area] == pytest.approx(level, abs=1e-6)


def test_moments_of_a_group_are_those_of_its_pixels():
    areas = found()
    small = np.flatnonzero(areas.size < 600)
    every = np.concatenate([np.r_[areas.pixels.of(area)] for area in small])
    terms = map_terms(areas.pixels.x[every], areas.pixels.y[every], SHAPE)
    light = areas.pixels.log_light[every]
    together = areas.gathered(small)
    assert together.terms == pytest.approx(terms.mean(axis=0))
    assert together.light == pytest.approx(light.mean(axis=0))
    assert together.squared == pytest.approx(terms.T @ terms / len(terms))
    assert together.crossed == pytest.approx(terms.T @ light / len(terms))


def test_the_nearest_areas_are_those_of_a_search_by_tree():
    rng = np.random.default_rng(5)
    middles, counts = rng.uniform(0, 400, (30, 2)), rng.integers(3, 40, 30)
    rims = [np.rint(m + rng.normal(0, 9, (n, 2))) for m, n in zip(middles, counts, strict=True)]
    starts = np.cumsum([0, *counts]).astype(np.int64)
    boxes = [(r[:, 0].min(), r[:, 0].max(), r[:, 1].min(), r[:, 1].max()) for r in rims]
    apart, here, there = np.full(5, np.inf), np.zeros(5, np.int64), np.zeros(5, np.int64)
    places, others = np.concatenate(rims), np.arange(1, 30)
    for some in (others[:7], others[7:]):
        meet(places, starts, np.array(boxes, np.int32), 0, some, apart, here, there)
    tree = cKDTree(rims[0])
    nearest = sorted(tree.query(rims[other])[0].min() for other in others)[:5]
    assert np.sqrt(apart) == pytest.approx(nearest)
    assert np.hypot(*(places[here] - places[there]).T) == pytest.approx(nearest)
