"""Looks: laws of the print curve and of the gamut, and published references.

References: OpenColorIO's own ACES 1.3 gamut compression and ACEScct (Academy S-2016-001),
colour-science's sRGB encoding (IEC 61966-2-1).
"""

import warnings

import numpy as np
import PyOpenColorIO as ocio
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline import look as module
from pipeline.look import (
    Levels,
    as_log,
    as_print,
    as_share,
    into_gamut,
    print_curve,
    set_levels,
    to_codes,
)
from pipeline.space import find_space

SRGB = find_space("srgb")
PLAIN = Levels()
THRESHOLD, LIMIT = module._GAMUT_THRESHOLD, module._GAMUT_LIMIT


def pictures(low: float, high: float):
    return hnp.arrays(np.float32, (3, 5, 3), elements=st.floats(low, high, width=32))


def ocio_apply(transform: ocio.Transform, pixels: np.ndarray) -> np.ndarray:
    processor = ocio.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor()
    flat = np.ascontiguousarray(pixels, np.float32).reshape(-1, 3).copy()
    processor.applyRGB(flat)
    return flat.reshape(pixels.shape)


@given(st.lists(st.floats(-1.0, 100.0), min_size=2, max_size=30).map(sorted))
def test_print_curve_rises_from_black_to_white(light):
    shown = print_curve(np.array(light, np.float32))
    assert (np.diff(shown) >= 0).all()
    assert shown.min() >= 0
    assert shown.max() < module._PRINT_WHITE


def test_print_curve_leaves_middle_grey_and_black():
    # 0.18: reflectance of a grey card, common practice, no source.
    shown = print_curve(np.array([0.0, -0.5, 0.18, 1e9, np.inf], np.float32))
    assert shown[:3] == pytest.approx([0.0, 0.0, 0.18], abs=1e-6)
    assert shown[3:] == pytest.approx(module._PRINT_WHITE, rel=1e-3)


def test_print_curve_has_more_contrast_than_the_scene_about_the_middle():
    # The curve's slope in log-log at grey: n (1 - g / w), by differentiation of its form.
    light = np.array([0.18 / 1.01, 0.18 * 1.01], np.float64)
    slope = np.diff(np.log(print_curve(light)))[0] / np.diff(np.log(light))[0]
    assert slope == pytest.approx(
        module._PRINT_CONTRAST * (1 - 0.18 / module._PRINT_WHITE), rel=1e-3
    )
    assert slope > 1.1


@given(pictures(0.0, 50.0))
def test_colours_near_grey_are_left_alone(rgb):
    top = rgb.max(axis=-1, keepdims=True)
    rgb = np.maximum(rgb, top * np.float32(1 - THRESHOLD + 1e-5))
    assert into_gamut(rgb) == pytest.approx(rgb, rel=1e-5, abs=1e-6)


@given(pictures(-1.0, 4.0), st.floats(0.0625, 10.0, width=32))
def test_colours_within_the_measured_limit_come_into_the_space(rgb, scale):
    top = np.abs(rgb).max(axis=-1, keepdims=True) + np.float32(1e-3)
    rgb = np.maximum(rgb, top * np.float32(1 - LIMIT))
    rgb[..., :1] = top
    drawn = into_gamut(rgb * scale)
    assert drawn.min() >= -1e-5 * scale * top.max()
    assert drawn.max(axis=-1) == pytest.approx(scale * top[..., 0], rel=1e-5)


@given(pictures(-4.0, 4.0))
def test_gamut_keeps_the_greatest_channel_and_the_order_of_channels(rgb):
    drawn = into_gamut(rgb)
    assert drawn.max(axis=-1) == pytest.approx(rgb.max(axis=-1), rel=1e-5, abs=1e-5)
    order = np.argsort(rgb, axis=-1, kind="stable")
    assert (np.diff(np.take_along_axis(drawn, order, axis=-1), axis=-1) >= -1e-5).all()


def test_gamut_form_is_that_of_the_published_reference_compression():
    colours = np.random.default_rng(5).uniform(-0.3, 1.0, (400, 3)).astype(np.float32)
    colours[:, 0] = 1.0
    told = ocio_apply(
        ocio.FixedFunctionTransform(
            ocio.FIXED_FUNCTION_ACES_GAMUT_COMP_13,
            [LIMIT] * 3 + [THRESHOLD] * 3 + [module._GAMUT_POWER],
        ),
        colours,
    )
    assert into_gamut(colours) == pytest.approx(told, abs=1e-5)
    assert np.abs(into_gamut(colours) - colours).max() > 0.1


# Academy TB-2014-004 / S-2014-004: ACEScg (AP1) to ACES2065-1 (AP0).
AP1_TO_AP0 = np.array(
    [
        [0.6954522414, 0.1406786965, 0.1638690622],
        [0.0447945634, 0.8596711185, 0.0955343182],
        [-0.0055258826, 0.0040252103, 1.0015006723],
    ]
)


@given(pictures(0.0, 1.0))
def test_idle_levels_change_nothing(display):
    assert set_levels(display, PLAIN) is display
    assert Levels((0.1, 0.0, 0.0)).idle is False


@given(st.floats(0, 0.4), st.floats(0.6, 2.0), st.floats(0.3, 3.0))
def test_levels_put_black_white_and_middle_where_they_are_told(black, white, gamma):
    levels = Levels((black,) * 3, (white,) * 3, (gamma,) * 3)
    middle = black + (white - black) * 0.5**gamma
    points = np.array([[black] * 3, [white] * 3, [middle] * 3], np.float32)
    told = np.array([[0.0] * 3, [1.0] * 3, [0.5] * 3])
    # The root of a rounding error at black is no small number.
    assert set_levels(points, levels)[1:] == pytest.approx(told[1:], abs=1e-3)
    assert set_levels(points - 1e-5, levels)[0] == pytest.approx(0.0, abs=0.01)


def test_levels_act_on_their_own_channel():
    levels = Levels((0.0, 0.5, 0.0), (1.0, 1.0, 0.5), (2.0, 1.0, 1.0))
    shown = set_levels(np.full((1, 3), 0.25, np.float32), levels)
    assert shown == pytest.approx(np.array([[0.5, 0.0, 0.5]]))


@given(pictures(-1.0, 50.0), st.sampled_from(["srgb", "romm-rgb", "rec2020"]))
def test_print_is_finite_and_in_range(scene, space):
    shown = as_print(scene, find_space(space), PLAIN)
    assert shown.dtype == np.float32
    assert np.isfinite(shown).all()
    assert shown.min() >= 0
    assert shown.max() <= 1


@pytest.mark.parametrize("space", ["srgb", "romm-rgb", "adobe-rgb-compatible", "rec2020"])
def test_neutrals_stay_neutral_in_a_print(space):
    greys = np.repeat(np.geomspace(1e-3, 10, 30, dtype=np.float32)[:, None], 3, axis=1)
    shown = as_print(greys, find_space(space), PLAIN)
    assert np.ptp(shown, axis=1).max() < 1e-3


def test_middle_grey_has_its_srgb_code():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    told = float(colour.models.eotf_inverse_sRGB(0.18))
    grey = np.full((1, 3), 0.18, np.float32)
    for name in ("print", "linear", "log"):
        assert as_share(grey, name, SRGB, PLAIN) == pytest.approx(told, abs=1e-3)


def test_log_is_acescct():
    ramp = np.repeat(np.geomspace(1e-4, 100, 50, dtype=np.float32)[:, None], 3, axis=1)
    told = ocio_apply(ocio.BuiltinTransform("ACEScct_to_ACES2065-1"), as_log(ramp))
    assert told == pytest.approx(ramp @ AP1_TO_AP0.T, rel=1e-3)


@given(pictures(-2.0, 3.0), st.sampled_from([8, 16]))
def test_codes_are_rounded_and_clipped(values, bits):
    codes = to_codes(values, bits)
    full = 2**bits - 1
    assert codes.dtype == (np.uint8 if bits == 8 else np.uint16)
    assert np.abs(codes - np.clip(values.astype(float), 0, 1) * full).max() <= 0.5 + 0.01


@pytest.mark.parametrize("bits", [8, 16])
def test_every_code_comes_back(bits):
    codes = np.arange(2**bits)
    assert (to_codes((codes / (2**bits - 1)).astype(np.float32), bits) == codes).all()
