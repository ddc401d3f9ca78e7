"""Colour spaces against OpenColorIO, colour-science and LittleCMS.

References: OpenColorIO's built-in transforms (matrices with Bradford adaptation, display
encodings, ACEScct); colour-science's transfer functions; LittleCMS, through imagecodecs in
floating point and through Pillow, which reads the profiles back as any viewer would.
"""

import io
import struct
import subprocess

import imagecodecs
import numpy as np
import PyOpenColorIO as ocio
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms

from pipeline.problem import SettingsProblem
from pipeline.profile.space import (
    WORKING,
    acescct,
    encode,
    find_space,
    from_working,
    icc_profile,
    space_names,
)
from pipeline.settings.settings import ARCHIVE_SPACES
from tests.render.slow import slow_light

ALL = [*space_names(), *(f"{name}-linear" for name in space_names())]
ENCODED = [name for name in space_names() if name != "acescg"]
# Light inside every one of the spaces, dark to white, and the primaries' greys.
LIGHT = np.array(
    [
        [0.18, 0.18, 0.18],
        [1.0, 1.0, 1.0],
        [0.4, 0.3, 0.25],
        [0.05, 0.09, 0.06],
        [0.001, 0.001, 0.001],
    ]
)


@pytest.fixture(scope="module")
def colour():
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def ocio_built_in(pixels: np.ndarray, *names: str, inverse: bool = False) -> np.ndarray:
    direction = ocio.TRANSFORM_DIR_INVERSE if inverse else ocio.TRANSFORM_DIR_FORWARD
    chain = ocio.GroupTransform()
    for name in names:
        chain.appendTransform(ocio.BuiltinTransform(style=name, direction=direction))
    processor = ocio.Config.CreateRaw().getProcessor(chain).getDefaultCPUProcessor()
    result = np.array(pixels, np.float32).reshape(-1, 3).copy()
    processor.applyRGB(result)
    return result.reshape(np.shape(pixels))


def through_littlecms(pixels: np.ndarray, source: bytes, target: bytes) -> np.ndarray:
    """Return float pixels taken from one profile to another, relative colorimetric."""
    return np.asarray(
        imagecodecs.cms_transform(
            np.array(pixels, np.float32)[None],
            source,
            target,
            colorspace="rgb",
            outcolorspace="rgb",
            outdtype=np.float32,
            intent=1,
        )
    )[0]


def test_spaces_of_the_settings_all_exist():
    assert set(ARCHIVE_SPACES) < set(space_names())


def test_unknown_space_is_told_with_those_there_are():
    with pytest.raises(SettingsProblem, match=r"no colour space 'sRGV'.*romm-rgb"):
        find_space("sRGV")
    with pytest.raises(SettingsProblem, match="no colour space 'sRGV-linear'"):
        find_space("sRGV-linear")


@pytest.mark.parametrize("name", ALL)
def test_white_stays_white(name):
    white = from_working(find_space(name)) @ np.ones(3)
    assert white == pytest.approx(np.ones(3), abs=1e-12)


def test_working_space_needs_no_matrix():
    assert from_working(find_space(WORKING)) == pytest.approx(np.eye(3), abs=1e-12)


@pytest.mark.parametrize(
    ("name", "display"),
    [
        ("srgb", "DISPLAY - CIE-XYZ-D65_to_sRGB"),
        ("display-p3", "DISPLAY - CIE-XYZ-D65_to_DisplayP3"),
    ],
)
def test_matrix_and_curve_agree_with_opencolorio(name, display):
    # OpenColorIO: AP1 to XYZ by Bradford, then the display's own matrix and curve.
    expected = ocio_built_in(LIGHT, "UTILITY - ACES-AP1_to_CIE-XYZ-D65_BFD", display)
    space = find_space(name)
    assert encode(LIGHT @ from_working(space).T, space) == pytest.approx(expected, abs=2e-4)


def test_linear_srgb_agrees_with_opencolorio():
    expected = ocio_built_in(LIGHT, "UTILITY - ACES-AP1_to_LINEAR-REC709_BFD")
    space = find_space("srgb-linear")
    assert encode(LIGHT @ from_working(space).T, space) == pytest.approx(expected, abs=1e-5)


def test_linear_rec2020_agrees_with_opencolorio():
    # OpenColorIO's display for these primaries has the exponent 2.4 of ITU-R BT.1886;
    # its single precision power, undone here, is good to 2e-5.
    names = ("UTILITY - ACES-AP1_to_CIE-XYZ-D65_BFD", "DISPLAY - CIE-XYZ-D65_to_REC.1886-REC.2020")
    expected = ocio_built_in(LIGHT, *names) ** 2.4
    assert pytest.approx(expected, abs=3e-5) == LIGHT @ from_working(find_space("rec2020")).T


def test_wide_matrices_agree_with_littlecms():
    # LittleCMS adapts both white points to D50 by Bradford on its own.
    for name in ("romm-rgb", "oprgb"):
        space = find_space(f"{name}-linear")
        taken = through_littlecms(LIGHT, icc_profile(find_space(WORKING)), icc_profile(space))
        assert pytest.approx(taken, abs=5e-5) == LIGHT @ from_working(space).T


@pytest.mark.parametrize("name", space_names())
def test_matrix_is_near_the_one_published(name, colour):
    # colour-science keeps the matrices as the standards print them, rounded to 4 or 5 digits.
    titles = {
        "srgb": "sRGB",
        "display-p3": "Display P3",
        "rec2020": "ITU-R BT.2020",
        "romm-rgb": "ROMM RGB",
        "acescg": "ACEScg",
        "acescct": "ACEScct",
    }
    # IEC 61966-2-5 prints these, from memory.
    oprgb = [[0.5767, 0.1856, 0.1882], [0.2973, 0.6274, 0.0753], [0.0270, 0.0707, 0.9911]]
    known = None if name == "oprgb" else colour.RGB_COLOURSPACES[titles[name]]
    if known is not None:
        assert find_space(name).primaries == tuple(map(tuple, known.primaries.tolist()))
        assert find_space(name).white == tuple(known.whitepoint.tolist())
    told = None if known is None else known.matrix_RGB_to_XYZ
    published = np.array(oprgb) if told is None else told
    # ISO 22028-2 rounds the white point too, hence 0.0003.
    assert np.array(find_space(name).to_xyz) == pytest.approx(published, abs=3e-4)


@pytest.mark.parametrize("name", space_names())
def test_matrices_are_those_that_colour_science_computes(name, colour):
    space, working = find_space(name), find_space(WORKING)
    to_xyz = colour.normalised_primary_matrix(np.array(space.primaries), np.array(space.white))
    assert np.array(space.to_xyz) == pytest.approx(to_xyz, abs=1e-12)
    adapted = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(working.white), colour.xy_to_XYZ(space.white), transform="Bradford"
    )
    told = np.linalg.inv(to_xyz) @ adapted @ np.array(working.to_xyz)
    assert from_working(space) == pytest.approx(told, abs=1e-12)


def test_curves_agree_with_colour_science(colour):
    light = np.geomspace(1e-6, 1.0, 400)
    models = colour.models
    expected = {
        "srgb": models.eotf_inverse_sRGB(light),
        "display-p3": models.eotf_inverse_sRGB(light),
        # IEC 61966-2-5, from memory.
        "oprgb": light ** (1.0 / 2.2),
        "rec2020": models.oetf_BT2020(light, is_12_bits_system=True),
        "romm-rgb": models.cctf_encoding_ROMMRGB(light),
        "acescct": models.log_encoding_ACEScct(light),
    }
    assert set(expected) == set(ENCODED)
    for name, values in expected.items():
        # Where line and power law meet, the rounded constants of BT.2020 leave a step of 1e-5.
        assert encode(light, find_space(name)) == pytest.approx(values, abs=2e-5), name


def test_acescct_agrees_with_opencolorio():
    light = np.repeat(
        np.concatenate([np.geomspace(1e-5, 100.0, 300), [-0.005, 0.0]])[:, None], 3, 1
    )
    # To ACES2065-1 and back to AP1: what remains is the curve.
    aces = ocio_built_in(acescct(light), "ACEScct_to_ACES2065-1")
    back = ocio_built_in(aces, "ACEScg_to_ACES2065-1", inverse=True)
    assert back == pytest.approx(light, rel=2e-4, abs=1e-6)


def test_acescct_published_value_of_grey():
    # The reference value that colour-science quotes for S-2016-001: 18 % grey is 0.4135884.
    assert acescct(np.array(0.18)) == pytest.approx(0.4135884, abs=1e-7)


@pytest.mark.parametrize("name", ALL)
def test_littlecms_undoes_matrix_and_curve(name):
    # A picture as written, seen through its profile, is the working light again.
    space = find_space(name)
    light = LIGHT * 0.9
    written = encode(light @ from_working(space).T, space)
    seen = through_littlecms(written, icc_profile(space), icc_profile(find_space(WORKING)))
    # Profiles hold 16 binary places; a table of 4096 entries is interpolated.
    assert seen == pytest.approx(light, abs=1e-4)


@pytest.mark.parametrize("name", ALL)
def test_profile_reads_back_in_littlecms(name):
    space = find_space(name)
    profile = icc_profile(space)
    imagecodecs.cms_profile_validate(profile)
    read = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    assert ImageCms.getProfileDescription(read).strip() == space.title
    assert read.profile.xcolor_space.strip() == "RGB"
    assert read.profile.device_class == "mntr"
    assert len(profile) < (600 if name != "acescct" else 9000)
    assert struct.unpack_from(">I", profile)[0] == len(profile)


def test_srgb_profile_does_what_littlecms_own_does():
    ours = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile(find_space("srgb")))).profile
    theirs = ImageCms.createProfile("sRGB")
    for colorant in ("red_colorant", "green_colorant", "blue_colorant"):
        assert getattr(ours, colorant)[0] == pytest.approx(getattr(theirs, colorant)[0], abs=2e-5)
    pixels = np.random.default_rng(1).random((50, 3), np.float32)
    theirs_bytes = imagecodecs.cms_profile("srgb")
    taken = through_littlecms(pixels, icc_profile(find_space("srgb")), theirs_bytes)
    assert taken == pytest.approx(pixels, abs=1e-4)


def test_profile_is_read_by_another_program(tmp_path):
    # exiftool decodes profiles on its own.
    path = tmp_path / "space.icc"
    path.write_bytes(icc_profile(find_space("romm-rgb")))
    asked = ["exiftool", "-s3", "-ProfileDescription", "-ProfileDateTime", "-ProfileVersion", path]
    told = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.splitlines()
    assert told == ["ROMM RGB", "2000:01:01 00:00:00", "4.4.0"]


def test_profile_bytes_do_not_change():
    space = find_space("display-p3")
    first = icc_profile(space)
    icc_profile.cache_clear()
    assert icc_profile(space) == first


# Light of everyday colours, within every space, dark to white.
EVERYDAY = np.random.default_rng(4).uniform(0.1, 0.7, (40, 50, 1)) * np.random.default_rng(
    5
).uniform(0.85, 1.15, (40, 50, 3))


@pytest.mark.parametrize("name", [name for name in ARCHIVE_SPACES if name != "acescg"])
def test_pictures_go_through_pillow_and_back(name):
    # Pillow's ImageCms (LittleCMS in 8 bits) shows a picture by its profile as sRGB, and takes the
    # sRGB picture back into the space.
    space, srgb = find_space(name), find_space("srgb")
    written, shown = (
        np.rint(np.clip(encode(EVERYDAY @ from_working(s).T, s), 0, 1) * 255).astype(np.uint8)
        for s in (space, srgb)
    )
    ours, theirs = (
        ImageCms.ImageCmsProfile(io.BytesIO(icc_profile(space))),
        ImageCms.createProfile("sRGB"),
    )
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    to_srgb = ImageCms.buildTransform(ours, theirs, "RGB", "RGB", intent)
    seen = np.asarray(ImageCms.applyTransform(Image.fromarray(written), to_srgb), int)
    # A code of a wide space in 8 bits is up to two of sRGB.
    assert np.abs(seen - shown).max() <= 3
    back = ImageCms.buildTransform(theirs, ours, "RGB", "RGB", intent)
    again = np.asarray(ImageCms.applyTransform(Image.fromarray(shown), back), int)
    assert np.abs(again - written).max() <= 2


def test_acescct_profile_saturates_at_white():
    # The curve of a profile ends at 1.0: encoded 0.5548 and all above show as white.
    profile, working = icc_profile(find_space("acescct")), icc_profile(find_space(WORKING))
    codes = np.repeat(np.array([acescct(np.array(1.0)), 0.7, 1.0])[:, None], 3, 1)
    assert through_littlecms(codes, profile, working) == pytest.approx(np.ones((3, 3)), abs=1e-3)


@pytest.mark.parametrize("name", ALL)
@given(light=st.lists(st.floats(0.0, 50.0), min_size=1, max_size=30))
def test_decode_undoes_encode_and_order_is_kept(name, light):
    space = find_space(name)
    values = np.sort(np.array(light))
    written = encode(values, space)
    assert (np.diff(written) >= -1e-5).all()
    # Rounded constants of the standards leave a step of 1e-5 where line and power law meet.
    assert slow_light(written, space) == pytest.approx(values, rel=1e-6, abs=2e-5)


@pytest.mark.parametrize("name", ENCODED)
def test_below_zero_never_becomes_nan(name):
    space = find_space(name)
    written = encode(np.array([-1e-3, -0.5]), space)
    assert np.isfinite(written).all()
    assert (written <= encode(np.array(0.0), space)).all()


def test_linear_spaces_leave_values_alone():
    light = np.array([-0.2, 0.0, 3.5, 100.0], np.float32)
    assert (encode(light, find_space("acescg")) == light).all()


@pytest.mark.parametrize("name", ALL)
def test_type_and_input_are_kept_and_bands_do_not_show(name):
    space = find_space(name)
    light = np.random.default_rng(2).random((1100, 170, 3), np.float32)
    before = light.copy()
    whole = encode(light, space)
    assert whole.dtype == np.float32
    assert (light == before).all()
    # Large enough to be encoded some rows at a time; single rows are not.
    rows = np.stack([encode(row, space) for row in light])
    assert np.abs(whole - rows).max() < 1e-6


def test_nan_stays_nan_and_whole_numbers_are_taken():
    space = find_space("srgb")
    assert np.isnan(encode(np.array([np.nan, 0.5]), space)).tolist() == [True, False]
    assert encode(np.array([0, 1]), space) == pytest.approx([0.0, 1.0])
