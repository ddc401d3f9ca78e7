"""Film, open gate and holder told apart on pictures put together by hand."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.strip.density import Illumination
from pipeline.strip.illumination import Levels
from pipeline.strip.surround import (
    opaque_below,
    open_and_brightest,
    open_share,
    over_base,
    surround,
)

GATE, BASE = (0.9, 0.88, 0.86), (0.55, 0.23, 0.12)
DARK = (0.004, 0.004, 0.005)
LEVELS = Levels(Illumination(DARK, GATE), BASE, False)
FILM = (slice(20, 60), slice(15, 105))
WINDOW = (slice(14, 66), slice(8, 112))


def scene(holder: tuple[float, float, float] | None, seed: int = 1) -> np.ndarray:
    """Return a strip with a dense picture in a window of a holder, or on a bare light."""
    light = np.empty((80, 120, 3))
    light[:] = GATE if holder is None else holder
    light[WINDOW] = GATE
    light[FILM] = BASE
    light[28:52, 22:98] = np.array(DARK) + 0.05 * (np.array(BASE) - DARK)
    noise = np.random.default_rng(seed).normal(1, 0.005, light.shape)
    return (light * noise).astype(np.float32)


@pytest.mark.parametrize(
    "holder", [DARK, (0.03, 0.03, 0.03), (0.2, 0.21, 0.19), (0.6, 0.58, 0.57), None],
)  # fmt: skip
def test_each_pixel_is_film_gate_or_holder(holder):
    found = surround(scene(holder), LEVELS)
    film = np.zeros((80, 120), bool)
    film[FILM] = True
    window = np.zeros_like(film)
    window[WINDOW] = True
    clear = film.copy()
    clear[20:22] = clear[58:60] = False
    assert found.film[clear].mean() > 0.999
    assert not found.film[~film].any()
    assert found.gate[window & ~film].all()
    if holder is None:
        assert not found.holder.any()
    else:
        assert found.holder[~window].mean() > 0.99
        assert not found.gate[~window].any()


def test_a_soft_reflection_on_the_holder_is_no_film():
    light = scene(DARK)
    _, x = np.mgrid[:80, :120]
    light += (0.008 * np.exp(-(((x - 60) / 30) ** 2)))[:, :, None].astype(np.float32)
    found = surround(light, LEVELS)
    assert found.film[:10].mean() < 0.02
    assert found.film[24:27, 20:100].all()


def test_the_fading_of_gate_into_holder_is_no_film():
    light = scene(DARK)
    light[13], light[66] = 0.3, 0.3
    light[14:66, 7] = light[14:66, 112] = 0.3
    light[13, :7] = light[13, 113:] = light[66, :7] = light[66, 113:] = DARK
    found = surround(light, LEVELS)
    assert not found.film[10:16].any()


@given(share=st.floats(0, 1))
def test_share_of_open_gate_is_linear_in_light(share):
    # A pixel that an edge crosses averages light, not density (IEC 60050 845-24-089).
    mixed = share * np.array(GATE) + (1 - share) * np.array(BASE)
    light = np.tile(mixed, (2, 2, 1)).astype(np.float32)
    assert open_share(light, LEVELS) == pytest.approx(np.full((2, 2), share), abs=1e-4)


def test_openness_is_nought_for_base_one_for_gate_and_less_for_pictures():
    light = np.array([[BASE, GATE, np.array(BASE) / 4 + 0.003]], np.float32)
    shown = open_and_brightest(light, LEVELS)[0][0]
    assert shown[:2] == pytest.approx([0.0, 1.0], abs=1e-4)
    assert shown[2] < -0.3


def test_a_clipped_gate_is_full_scale():
    clipped = replace(LEVELS, illumination=Illumination(DARK, None), gate_clipped=True)
    light = np.array([[BASE, (1.0, 1.0, 1.0)]], np.float32)
    assert open_and_brightest(light, clipped)[0][0] == pytest.approx([0.0, 1.0], abs=1e-4)
    assert open_share(light, clipped)[0] == pytest.approx([0.0, 1.0], abs=1e-4)


def test_a_light_that_clips_in_one_channel_is_open_gate_all_over():
    # A sky: its blue clips in places, and it goes on to the picture's border.
    light = scene(None)
    light *= np.linspace(0.95, 1.05, 120)[None, :, None].astype(np.float32)
    levels = Levels(Illumination(DARK, None), BASE, True, clipped_light=(0.92, 0.9, 0.88))
    found = surround(light, levels)
    outside = np.ones((80, 120), bool)
    outside[FILM] = False
    assert found.gate[outside].mean() > 0.99
    assert not found.holder.any()


def test_where_no_gate_was_seen_light_well_above_the_base_is_gate():
    unseen = replace(LEVELS, illumination=Illumination(DARK, None))
    light = np.array([[BASE, 1.2 * np.array(BASE), 1.4 * np.array(BASE)]], np.float32)
    assert ((open_and_brightest(light, unseen)[0] > 0.5) == [[False, False, True]]).all()


def test_light_over_base_takes_the_dark_level_off():
    light = (np.array(BASE) + DARK).astype(np.float32) / 2
    assert over_base(light[None], LEVELS)[0] == pytest.approx([0.5] * 3, abs=1e-5)


def test_the_opaque_limit_rises_with_light_on_the_holder_and_stays_under_film():
    brightest = np.ones((40, 60), np.float32)
    assert opaque_below(brightest) == pytest.approx(0.004)
    brightest[:12] = 0.0
    assert opaque_below(brightest) == pytest.approx(0.004)
    brightest[:12] = 0.02
    assert 0.02 < opaque_below(brightest) < 0.05
    brightest[:12] = 0.09
    assert opaque_below(brightest) <= 0.08


def test_a_dense_picture_lowers_the_opaque_limit_under_a_lit_holder():
    brightest = np.ones((40, 60), np.float32)
    brightest[:12] = 0.05
    brightest[24:30, 20:40] = 0.03
    assert opaque_below(brightest) < 0.031
