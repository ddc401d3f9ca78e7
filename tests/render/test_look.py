"""Looks: the print held against itself in double precision, and published references.

References: OpenColorIO's ACEScct (Academy S-2016-001), colour-science's sRGB encoding (IEC
61966-2-1) and Oklab (Ottosson 2020), in which hues are uniform.
"""

import warnings

import numpy as np
import PyOpenColorIO as ocio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.profile.space import Space, encode, find_space, from_working
from pipeline.render import look as gamut
from pipeline.render import look as module
from pipeline.render import tone as print_tone
from pipeline.render.band_kernel import CHUNK
from pipeline.render.look import Levels, as_log, as_print, gamut_limit, to_codes
from pipeline.render.tone import PrintTone
from pipeline.settings.settings import ARCHIVE_SPACES, Settings
from tests.render.slow import slow_light
from tests.render.whole_pictures import as_share

SRGB = find_space("srgb")
PLAIN = Levels()
TONES = [PrintTone(), PrintTone(1.7, 0.03), PrintTone(1.2, 0.005)]


def pictures(low: float, high: float):
    return hnp.arrays(np.float32, (3, 5, 3), elements=st.floats(low, high, width=32))


def ocio_apply(transform: ocio.Transform, pixels: np.ndarray) -> np.ndarray:
    processor = ocio.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor()
    flat = np.ascontiguousarray(pixels, np.float32).reshape(-1, 3).copy()
    processor.applyRGB(flat)
    return flat.reshape(pixels.shape)


# Academy TB-2014-004 / S-2014-004: ACEScg (AP1) to ACES2065-1 (AP0).
AP1_TO_AP0 = np.array(
    [
        [0.6954522414, 0.1406786965, 0.1638690622],
        [0.0447945634, 0.8596711185, 0.0955343182],
        [-0.0055258826, 0.0040252103, 1.0015006723],
    ]
)


def levelled(display: np.ndarray, levels: Levels) -> np.ndarray:
    """Return display values with levels applied, through the print of light that shows them."""
    light = shown_light()
    plain = as_print(light, SRGB)[:, 1]
    picked = np.array([np.abs(plain - value).argmin() for value in display[:, 1]])
    return as_print(light, SRGB, levels)[picked]


def shown_light() -> np.ndarray:
    """Return greys (n, 3) whose prints lie close together from black to white."""
    return np.repeat(np.geomspace(1e-5, 40.0, 60001)[:, None], 3, axis=1).astype(np.float32)


def test_idle_levels_are_told():
    assert PLAIN.idle
    assert Levels((0.1, 0.0, 0.0)).idle is False


@settings(max_examples=20)
@given(st.floats(0.05, 0.4), st.floats(0.6, 0.95), st.floats(0.3, 3.0))
def test_levels_put_black_white_and_middle_where_they_are_told(black, white, gamma):
    levels = Levels((black,) * 3, (white,) * 3, (gamma,) * 3)
    middle = black + (white - black) * 0.5**gamma
    points = np.array([[black - 2e-4] * 3, [white + 2e-4] * 3, [middle] * 3], np.float32)
    told = np.array([[0.0] * 3, [1.0] * 3, [0.5] * 3])
    # The nearest grey lies up to 1e-4 beside a point, which counts the more the steeper the gamma.
    assert levelled(points, levels) == pytest.approx(told, abs=4e-3)


def test_levels_act_on_their_own_channel():
    levels = Levels((0.0, 0.5, 0.0), (1.0, 1.0, 0.5), (2.0, 1.0, 1.0))
    shown = levelled(np.full((1, 3), 0.25, np.float32), levels)
    assert shown == pytest.approx(np.array([[0.5, 0.0, 0.5]]), abs=1e-3)


@given(pictures(-1.0, 50.0), st.sampled_from(["srgb", "romm-rgb", "rec2020"]))
def test_print_is_finite_and_in_range(scene, space):
    shown = as_print(scene, find_space(space), PLAIN)
    assert shown.dtype == np.float32
    assert np.isfinite(shown).all()
    assert shown.min() >= 0
    assert shown.max() <= 1


@pytest.mark.parametrize("space", ["srgb", "romm-rgb", "oprgb", "rec2020"])
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


def exact_print(scene: np.ndarray, space: Space, tone: PrintTone) -> np.ndarray:
    """Return the print of scene light written out in double precision, all pixels at once."""
    light = scene.astype(float)

    def above(value):
        return value - tone.black + np.sqrt((value - tone.black) ** 2 + (tone.black / 2) ** 2)

    def curve(value):
        value = np.minimum(value, 1e6)
        value = above(value) * 0.18 / above(0.18) if tone.black else np.maximum(value, 0)
        power, white = value**tone.contrast, print_tone.PRINT_WHITE
        return white * power / (power + 0.18**tone.contrast * (white / 0.18 - 1))

    curved = curve(light)
    (low, high), (dark, bright) = (
        (part.min(-1, keepdims=True), part.max(-1, keepdims=True)) for part in (light, curved)
    )
    slope = (bright - dark) / np.maximum(high - low, 1e-9)
    kept = module._HUE_KEPT
    mixed = kept * (light - low) * slope + (1 - kept) * (curved - dark)
    shown = mixed @ from_working(space).T + dark
    top, least = shown.max(-1, keepdims=True), shown.min(-1, keepdims=True)
    distance = (top - least) / np.maximum(top, 1e-30)
    limit, bend, power = gamut_limit(space), gamut.GAMUT_THRESHOLD, gamut.GAMUT_POWER
    scale = (limit - bend) / (((limit - bend) / (1 - bend)) ** power - 1) ** (1 / power)
    over = np.maximum(distance - bend, 0)
    near = np.minimum(distance, bend) + over / (1 + (over / scale) ** power) ** (1 / power)
    near = np.minimum(near, gamut.FARTHEST) / np.maximum(distance, 1e-30)
    shown = top - (top - shown) * np.where(distance > bend, near, 1.0)
    return encode(np.maximum(shown / np.maximum(top, 1.0), 0.0), space)


@pytest.fixture(scope="module")
def lights() -> np.ndarray:
    """Return scene light of all kinds: noise about black, lamps, greys, pure colours, dark."""
    rng = np.random.default_rng(0)
    light = np.exp(rng.normal(-1.7, 1.6, (170, 500, 1)) + rng.normal(0, 0.6, (170, 500, 3)))
    light[:40] -= 0.03
    light[40:50] = 0
    light[50:60, :, 1:] = 0
    light[60:70] *= 1e3
    light[70:80] = light[70:80, :, :1]
    return light.astype(np.float32)


@pytest.mark.parametrize("space", ARCHIVE_SPACES)
@pytest.mark.parametrize("tone", TONES)
def test_print_is_exact_to_half_a_code_of_sixteen_bits(lights, space, tone):
    # More pixels than are worked on at a time.
    assert lights[..., 0].size > 2 * CHUNK
    before = lights.copy()
    shown = as_print(lights, find_space(space), PLAIN, tone)
    off = np.abs(shown - exact_print(lights, find_space(space), tone)) * 65535
    assert off.max() < 0.5
    assert (lights == before).all()


# Linear sRGB of lamps and of things: what is bright and saturated in pictures.
LAMPS = {
    "tail light": (0.5, 0.05, 0.03),
    "orange lamp": (0.5, 0.18, 0.02),
    "sodium lamp": (0.5, 0.3, 0.03),
    "green light": (0.03, 0.5, 0.1),
    "blue lamp": (0.02, 0.02, 0.5),
    "neon": (0.5, 0.03, 0.4),
    "skin": (0.45, 0.27, 0.2),
    "sky": (0.15, 0.3, 0.6),
    "leaf": (0.06, 0.12, 0.02),
}
# Degrees of Oklab hue between a colour and the same three stops lighter. A curve taken channel by
# channel alone moves the orange lamp by 31 and the blue one by 6.
MOST_TURN = 9.0


def oklab_hue(encoded: np.ndarray) -> np.ndarray:
    """Return Oklab hue in degrees of encoded sRGB, all through colour-science."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    lab = colour.XYZ_to_Oklab(colour.sRGB_to_XYZ(encoded))
    return np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))


@pytest.mark.parametrize("lamp", LAMPS)
def test_hues_hold_when_three_stops_are_added(lamp):
    working = np.linalg.inv(from_working(SRGB)) @ np.array(LAMPS[lamp]) * 0.36
    lighter = (working * 2.0 ** np.arange(0, 3.5, 0.5)[:, None]).astype(np.float32)
    hues = oklab_hue(as_print(lighter, SRGB))
    turned = (hues - hues[0] + 180) % 360 - 180
    assert np.abs(turned).max() < MOST_TURN


@pytest.mark.parametrize("lamp", LAMPS)
def test_what_grows_lighter_runs_smoothly_into_white(lamp):
    working = np.linalg.inv(from_working(SRGB)) @ np.array(LAMPS[lamp]) * 0.36
    stops = np.arange(-8, 14, 0.05)
    shown = as_print((working * 2.0 ** stops[:, None]).astype(np.float32), SRGB).astype(float)
    assert (np.diff(shown.max(axis=1)) > -1e-5).all()
    # No step: a twentieth of a stop moves no channel by more than a fortieth of full scale.
    assert np.abs(np.diff(shown, axis=0)).max() < 0.025
    assert shown[-1].min() > 0.98


def test_shadows_are_not_posterised():
    # Neighbours a fiftieth of a stop apart, four to eight stops under grey.
    dark = 0.18 * 2.0 ** np.arange(-8, -4, 0.02)
    light = np.repeat(dark[:, None], 3, 1).astype(np.float32)
    for tone in TONES:
        steps = np.diff(to_codes(as_print(light, SRGB, None, tone), 16)[:, 1].astype(int))
        assert (steps >= 0).all()
        # No step of more than half an 8 bit code.
        assert steps.max() < 128
    codes = to_codes(as_print(light, SRGB), 16)[:, 1]
    assert len(np.unique(codes)) > 0.9 * len(codes)


def test_a_print_looks_the_same_in_every_space():
    # Colours within all spaces: their light is the same, whichever space it is written in.
    rng = np.random.default_rng(3)
    light = (rng.uniform(0.1, 0.5, (60, 1)) * rng.uniform(0.7, 1.3, (60, 3))).astype(np.float32)
    back = []
    for name in ("srgb", "romm-rgb", "rec2020", "acescg"):
        space = find_space(name)
        encoded = as_print(light, space).astype(float)
        back.append(slow_light(encoded, space) @ np.linalg.inv(from_working(space)).T)
    for other in back[1:]:
        assert other == pytest.approx(back[0], abs=2e-5)


def test_scene_looks_keep_what_lies_above_white_and_below_black():
    extremes = np.array([[-0.01, 0.0, 90.0], [5.0, -0.2, 1e4]], np.float32)
    logs = as_log(extremes)
    assert np.isfinite(logs).all()
    told = ocio_apply(ocio.BuiltinTransform("ACEScct_to_ACES2065-1"), logs[:1])
    assert told == pytest.approx(extremes[:1] @ AP1_TO_AP0.T, rel=1e-3, abs=2e-4)


@pytest.mark.parametrize("tone", TONES)
def test_greys_in_stops_are_shown_as_prints_show_them(tone):
    import colour

    stops = np.linspace(-8.0, 6.0, 29)
    shown = module.shown_greys(stops, module.rendition_of(Settings(), tone))
    light = 0.18 * 2.0**stops
    expected = colour.models.eotf_inverse_sRGB(
        np.clip(print_tone.print_curve(light.astype(np.float32), tone).astype(float), 0, 1)
    )
    np.testing.assert_allclose(shown, np.repeat(expected[:, None], 3, axis=1), atol=2e-3)
    assert shown[16, 0] == pytest.approx(colour.models.eotf_inverse_sRGB(0.18), abs=1e-3)


def test_levels_of_the_user_show_in_the_greys():
    way = module.rendition_of(Settings(gamma=(1.0, 1.0, 0.5)), PrintTone())
    red, green, blue = module.shown_greys(np.array([0.0]), way)[0]
    assert red == green != pytest.approx(blue, abs=0.05)
