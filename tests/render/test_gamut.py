"""Gamut: laws of the compression, and its form against the published one.

Reference: OpenColorIO's own ACES 1.3 reference gamut compression.
"""

import numpy as np
import PyOpenColorIO as ocio
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.profile.space import find_space, from_working, space_names
from pipeline.render import look as module
from pipeline.render.look import (
    GAMUT_POWER,
    GAMUT_THRESHOLD,
    display_values,
    gamut_limit,
    showing,
    squeeze_scale,
)

LIMIT = 1.4


def planes(low: float, high: float):
    return hnp.arrays(np.float32, (3, 12), elements=st.floats(low, high, width=32))


def drawn(rgb: np.ndarray, limit: float = LIMIT) -> np.ndarray:
    """Return what a look shows of light that is linear in the output space already."""
    plain = showing(find_space("acescg"), printed=False)
    gamut = (plain.gamut[0], np.float32(squeeze_scale(limit)), *plain.gamut[2:])
    way = plain._replace(matrix=np.eye(3, dtype=np.float32), gamut=gamut)
    return display_values(np.ascontiguousarray(rgb[:, None]), way)[:, 0]


def test_form_is_that_of_the_published_reference_compression():
    distance = np.linspace(0, LIMIT, 200, dtype=np.float32)
    colours = np.stack([np.ones_like(distance), 1 - distance, np.ones_like(distance)], 1)
    transform = ocio.FixedFunctionTransform(
        ocio.FIXED_FUNCTION_ACES_GAMUT_COMP_13,
        [LIMIT] * 3 + [GAMUT_THRESHOLD] * 3 + [GAMUT_POWER],
    )
    processor = ocio.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor()
    told = colours.copy()
    processor.applyRGB(told)
    # Just inside the border, ours stops a 5000th short of it.
    shown = drawn(np.ascontiguousarray(colours.T))[1]
    assert shown == pytest.approx(told[:, 1], abs=2.1e-4)
    assert shown[-1] > 0 > colours[-1, 1]


@given(planes(0.0, 1.0))
def test_what_lies_within_is_left_alone(rgb):
    inside = np.maximum(rgb, rgb.max(axis=0) * np.float32(1 - GAMUT_THRESHOLD + 1e-5))
    # A unit in the last place is what the reciprocal of the compiled loop may be off.
    np.testing.assert_allclose(drawn(inside), inside, rtol=2.4e-7)


@given(planes(-1.0, 6.0))
def test_all_colours_come_into_the_space_and_keep_their_order(rgb):
    rgb[0] = np.abs(rgb[0])
    shown = drawn(rgb)
    assert np.isfinite(shown).all()
    assert shown.min() >= 0
    assert shown.max() <= 1 + 1e-6
    order = np.argsort(rgb, axis=0, kind="stable")
    assert (np.diff(np.take_along_axis(shown, order, axis=0), axis=0) >= -1e-5).all()


@given(
    hnp.arrays(np.float64, 3, elements=st.floats(0.0, 1.0)),
    st.floats(0.05, 4.0),
    st.floats(0.0, 0.35),
)
def test_the_middle_channel_keeps_its_place_between_the_others(order, bright, outside):
    # The place of the middle channel is the hue of a hexcone (Smith 1978).
    low, middle, high = -outside * bright, order[1] * bright, bright
    shown = drawn(np.array([[high], [middle], [low]], np.float32))[:, 0].astype(float)
    place = (middle - low) / (high - low)
    assert (shown[1] - shown[2]) / (shown[0] - shown[2]) == pytest.approx(place, abs=1e-4)
    assert shown[0] == pytest.approx(min(bright, 1.0), rel=1e-5)


@pytest.mark.parametrize("name", space_names())
def test_no_colour_of_the_working_space_lies_beyond_the_limit(name):
    space = find_space(name)
    light = np.random.default_rng(1).random((3, 4000)) ** 4
    shown = from_working(space) @ light
    distance = np.ptp(shown, axis=0) / shown.max(axis=0)
    limit = gamut_limit(space)
    assert distance.max() <= limit + 1e-4
    assert limit >= module._LEAST_ROOM
    compressed = drawn(shown.astype(np.float32), limit)
    assert compressed.min() > 0 or name in ("acescg", "acescct", "romm-rgb")


def test_wide_spaces_are_hardly_touched_and_small_ones_are():
    assert gamut_limit(find_space("romm-rgb")) < 1.05
    assert gamut_limit(find_space("srgb")) > 1.5
