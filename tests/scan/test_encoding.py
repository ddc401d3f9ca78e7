"""Code values to light and back."""

import imagecodecs
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.testing import assert_allclose, assert_array_equal
from PIL import ImageCms

from pipeline.scan.encoding import Encoding, light_steps, linear, power, srgb, to_light

RAMP = tuple(np.linspace(0.0, 1.0, 33).tolist())
SQUARES = tuple(np.square(np.linspace(0.0, 1.0, 4096)).tolist())

ENCODINGS = [
    linear("assumed"),
    power(1.8, "option"),
    power(2.2, "option"),
    srgb("container"),
    Encoding("curve", None, (RAMP,), "icc", "one table"),
    Encoding("curve", None, (RAMP, SQUARES, RAMP), "icc", "three tables"),
]


def of_every_code(dtype: type) -> np.ndarray:
    codes = np.arange(np.iinfo(dtype).max + 1, dtype=dtype)
    return np.repeat(codes[:, None], 3, axis=1)


def to_codes(light: np.ndarray, encoding: Encoding, dtype: type) -> np.ndarray:
    """Return the codes (..., 3) of light, the inverse of `to_light`; integers are rounded."""
    grid = np.linspace(0.0, 1.0, 1 << 16)
    if encoding.kind == "curve":
        # Between the points of a table the curve is straight, so its inverse is as well.
        grid = np.linspace(0.0, 1.0, len(encoding.curve[0]))
    shares = np.empty(light.shape)
    for channel in range(3):
        if encoding.kind == "gamma":
            shares[..., channel] = light[..., channel] ** (1.0 / encoding.gamma)
        else:
            own = grid if encoding != ENCODINGS[-1] or channel != 1 else np.linspace(0, 1, 4096)
            curve = to_light(np.repeat(own[:, None], 3, axis=1), encoding)[:, channel]
            shares[..., channel] = np.interp(light[..., channel], curve, own)
    if np.dtype(dtype).kind == "f":
        return shares
    return np.rint(shares * np.iinfo(dtype).max).astype(dtype)


def littlecms_light(codes: np.ndarray) -> np.ndarray:
    """Light of grey sRGB codes as LittleCMS sees it: Y of its own sRGB profile, scaled to 1."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    xyz = imagecodecs.cms_transform(
        np.repeat(codes.astype(np.float32)[None, :, None], 3, axis=2),
        profile,
        imagecodecs.cms_profile("xyz"),
        colorspace="rgb",
        outcolorspace="xyz",
        outdtype=np.float32,
    )
    luminance = np.asarray(xyz)[0, :, 1]
    return luminance / luminance[-1]


def test_srgb_agrees_with_littlecms():
    # LittleCMS holds the curve in 16-bit fixed point: 2 ** -16 is what it can promise.
    codes = np.linspace(0.0, 1.0, 1001)
    grey = np.repeat(codes[:, None], 3, axis=1)
    assert_allclose(to_light(grey, srgb("icc"))[:, 0], littlecms_light(codes), atol=2e-5)


def test_srgb_agrees_with_published_points():
    # IEC 61966-2-1:1999, 5.2, worked out by hand at the knee, below it and above.
    codes = np.array([0.0, 0.02, 0.04045, 0.5, 1.0])
    published = [0.0, 0.02 / 12.92, 0.04045 / 12.92, 0.21404114, 1.0]
    assert_allclose(to_light(codes, srgb("icc")), published, rtol=1e-6)


@pytest.mark.parametrize("gamma", [1.0, 1.8, 2.2])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_power_is_the_plain_formula(gamma, dtype):
    codes = of_every_code(dtype)
    expected = (codes / np.iinfo(dtype).max) ** gamma
    assert_allclose(to_light(codes, power(gamma, "option")), expected, rtol=1e-6)


def test_power_of_one_is_linear():
    assert power(1.0, "option") == linear("option")


@pytest.mark.parametrize("encoding", ENCODINGS, ids=lambda e: f"{e.kind} {e.description}")
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_codes_survive_the_way_to_light_and_back(encoding, dtype):
    codes = of_every_code(dtype)
    assert_array_equal(to_codes(to_light(codes, encoding), encoding, dtype), codes)


@pytest.mark.parametrize("encoding", ENCODINGS, ids=lambda e: f"{e.kind} {e.description}")
@given(
    light=hnp.arrays(np.float64, (5, 3), elements=st.floats(0.001, 1.0)),
)
def test_light_survives_the_way_to_float_codes_and_back(encoding, light):
    codes = to_codes(light, encoding, np.float64)
    assert_allclose(to_light(codes, encoding), light, rtol=1e-4)


@pytest.mark.parametrize("encoding", ENCODINGS, ids=lambda e: f"{e.kind} {e.description}")
def test_floats_and_integers_mean_the_same(encoding):
    codes = of_every_code(np.uint8)
    floats = codes / 255
    assert_allclose(to_light(floats, encoding), to_light(codes, encoding), rtol=1e-5, atol=1e-9)


@pytest.mark.parametrize("encoding", ENCODINGS, ids=lambda e: f"{e.kind} {e.description}")
def test_light_never_falls_as_codes_rise(encoding):
    light = to_light(of_every_code(np.uint16), encoding)
    assert light.dtype == np.float32
    assert (np.diff(light, axis=0) >= 0).all()
    assert_allclose(light[[0, -1]], [[0, 0, 0], [1, 1, 1]], atol=1e-7)


def test_each_channel_has_its_own_curve():
    encoding = Encoding("curve", None, (RAMP, SQUARES, RAMP), "icc", "")
    light = to_light(np.full((2, 2, 3), 32768, np.uint16), encoding)
    half = 32768 / 65535
    assert_allclose(light, np.broadcast_to([half, half**2, half], (2, 2, 3)), atol=1e-6)


def test_codes_of_twelve_bits_reach_full_scale():
    # 12-bit samples unpacked to 16: 4095 is white.
    codes = np.array([0, 2048, 4095], np.uint16)
    assert_allclose(to_light(codes, linear("icc"), 12), [0, 2048 / 4095, 1], rtol=1e-6)
    assert_allclose(to_light(codes, power(2.0, "icc"), 12), [0, (2048 / 4095) ** 2, 1], rtol=1e-6)


def test_long_integers_are_scaled():
    codes = np.array([0, 2**31, 2**32 - 1], np.uint32)
    assert_allclose(to_light(codes, power(2.0, "icc")), [0, 0.25, 1], rtol=1e-6)


def test_linear_floats_are_kept_beyond_full_scale():
    light = np.array([-0.25, 0.0, 1.5], np.float32)
    assert_array_equal(to_light(light, linear("container")), light)


def test_signed_codes_are_refused():
    with pytest.raises(TypeError, match="int16"):
        to_light(np.zeros((2, 3), np.int16), linear("icc"))


@pytest.mark.parametrize("encoding", ENCODINGS, ids=lambda e: f"{e.kind} {e.description}")
def test_inputs_are_not_changed(encoding):
    codes, light = of_every_code(np.uint8), np.linspace(0, 1, 30).reshape(10, 3)
    before = codes.copy(), light.copy()
    to_light(codes, encoding)
    to_light(light, encoding)
    assert_array_equal(codes, before[0])
    assert_array_equal(light, before[1])


def test_empty_arrays_stay_empty():
    for encoding in ENCODINGS:
        assert to_light(np.empty((0, 4, 3), np.uint16), encoding).shape == (0, 4, 3)


def test_steps_of_light_are_the_differences_of_neighbouring_codes():
    codes = of_every_code(np.uint8)[5:-5]
    for encoding in ENCODINGS:
        light = to_light(codes, encoding).astype(float)
        apart = (to_light(codes + 1, encoding) - to_light(codes - 1, encoding)) / 2
        assert_allclose(light_steps(light, encoding, 8), apart, rtol=1e-4)
