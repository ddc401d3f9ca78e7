"""Colour of single frames: trims, balances, light and neutral places.

References: colour-science's daylight and Planckian chromaticities (CIE 15:2018) and its Bradford
adaptation; a picture made up of densities whose neutral is known.
"""

import json
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.colour.frame import (
    FrameColour,
    frame_colours,
    neutral_balance,
    scene_light_matrix,
    usual_exposure,
)
from pipeline.colour.unmask import from_profile, layer_exposure, scene_light
from pipeline.frame.area import written_area
from pipeline.problem import SettingsProblem
from pipeline.profile.film import find_film
from pipeline.profile.space import find_space
from pipeline.settings.correction import FrameCorrection, read_corrections
from pipeline.settings.settings import Settings
from tests.conftest import Run
from tests.survey.surveyed import frame, strip

with warnings.catch_warnings():
    # It warns that it can't draw without a plotting library.
    warnings.simplefilter("ignore")
    import colour as science

PLAIN = Settings()
COLOUR = replace(from_profile(find_film("generic")), balance=(0.03, 0.0, -0.02), exposure=1.3)
LUMINANCE = np.array([0.272229, 0.674082, 0.053689])


def roll(*medians: float):
    """Return one strip of frames of even grey densities, keyed 01, 02, ..."""
    frames = [
        replace(
            frame(median=median),
            key=f"{n:02d}",
            samples=np.full((60, 3), median, np.float32),
        )
        for n, median in enumerate(medians, 1)
    ]
    return [strip(frames)]


def colours(strips, settings=PLAIN, entries=()):
    written = [
        [
            written_area(
                each.outline,
                each.base,
                inset_mm=(settings.inset_mm or 0.0,) * 4,
                border_mm=settings.border_mm,
                ppi=strip.ppi,
                width=100,
                height=100,
            )[0]
            for each in strip.frames
        ]
        for strip in strips
    ]
    corrections = read_corrections(list(entries))
    usual = usual_exposure(strips, COLOUR, settings)
    return frame_colours(strips, COLOUR, settings.exposure, usual, corrections, written)


def test_without_wishes_all_frames_have_the_colour_of_the_roll():
    rows, troubles = colours(roll(0.5, 0.9, 1.4))
    assert rows == ((FrameColour(COLOUR),) * 3,)
    assert troubles == ()


def test_even_exposure_is_one_factor_for_all_channels():
    rows, _ = colours(roll(0.4, 0.7, 0.7, 0.7, 1.2), replace(PLAIN, even_exposure=True))
    stops = [own.exposure_stops for own in rows[0]]
    assert stops[0] > 0.5
    assert stops[1:4] == [0.0] * 3
    assert stops[4] < -0.5
    for own in rows[0]:
        plain = replace(own.colour, exposure=COLOUR.exposure)
        assert plain == COLOUR
        assert own.colour.exposure == pytest.approx(COLOUR.exposure * 2.0**own.exposure_stops)


def test_blanks_are_not_trimmed():
    (one,) = roll(0.4, 0.7, 0.7)
    blank = replace(one.frames[0], kind="blank")
    rows, _ = colours(
        [replace(one, frames=(blank, *one.frames[1:]))], replace(PLAIN, even_exposure=True)
    )
    assert rows[0][0] == FrameColour(COLOUR)


def test_a_wish_changes_its_own_frame_only():
    strips = roll(0.5, 0.7, 0.9)
    entry = {
        "number": "02",
        "exposure": 0.5,
        "balance": [0.1, 0.0, -0.05],
        "colour_temperature_k": 3200,
    }
    rows, troubles = colours(strips, entries=[entry])
    assert troubles == ()
    assert rows[0][0] == rows[0][2] == FrameColour(COLOUR)
    own = rows[0][1]
    assert own.colour.balance == pytest.approx((0.13, 0.0, -0.07))
    assert own.colour.exposure == pytest.approx(1.3 * 2**0.5)
    assert (own.exposure_stops, own.colour_temperature_k, own.duv) == (0.5, 3200, None)
    assert own.colour.scene != COLOUR.scene
    assert own.colour.curves == COLOUR.curves


def test_what_the_user_adds_comes_on_top_of_the_trim():
    strips = roll(0.4, 0.7, 0.7, 0.7)
    even = replace(PLAIN, even_exposure=True)
    (plain,), _ = colours(strips, even)
    (own,), _ = colours(strips, even, [{"number": "01", "exposure": -0.5}])
    assert own[0].exposure_stops == pytest.approx(plain[0].exposure_stops - 0.5)
    assert own[1:] == plain[1:]


def test_an_added_frame_has_its_wishes_too():
    (one,) = roll(0.5, 0.7)
    added = replace(one.frames[1], key="+1")
    entry = {"add": True, "after": "01", "exposure": 1.0}
    rows, _ = colours([replace(one, frames=(one.frames[0], added))], entries=[entry])
    assert [own.exposure_stops for own in rows[0]] == [0.0, 1.0]


def cast_picture(left: tuple[float, ...], right: tuple[float, ...]) -> np.ndarray:
    """Return densities (100, 150, 3) of two halves of a picture."""
    picture = np.empty((100, 150, 3), np.float16)
    picture[:, :75], picture[:, 75:] = left, right
    return picture


@given(
    st.tuples(*[st.floats(0.25, 1.8)] * 3),
    st.tuples(*[st.floats(0.25, 1.8)] * 3),
    st.floats(0.55, 1.0),
    st.floats(0.0, 1.0),
)
def test_a_neutral_place_becomes_neutral_and_stays_as_light(left, right, x, y):
    picture = cast_picture(left, right)
    if (np.asarray(COLOUR.unmask) @ picture[0, -1].astype(float)).min() < 0.07:
        return
    change = neutral_balance(picture, (x, y), COLOUR)
    balance = tuple(a + b for a, b in zip(COLOUR.balance, change, strict=True))
    before, after = (
        scene_light(picture[0, -1].astype(float), shown)
        for shown in (COLOUR, replace(COLOUR, balance=balance))
    )
    assert after == pytest.approx(np.full(3, after.mean()), rel=1e-6)
    # Layers that no colour of the world exposes so can come out with less than no light.
    assert after @ LUMINANCE == pytest.approx(max(before @ LUMINANCE, 1e-4), rel=1e-6)


def test_grain_and_a_hair_do_not_move_a_neutral_place():
    picture = cast_picture((0.5, 0.7, 0.9), (0.8, 0.7, 0.6))
    told = neutral_balance(picture, (0.25, 0.5), COLOUR)
    rng = np.random.default_rng(0)
    grainy = picture + rng.normal(0, 0.02, picture.shape)
    grainy[50, :] = 0.05
    assert neutral_balance(grainy, (0.25, 0.5), COLOUR) == pytest.approx(told, abs=0.02)


def test_a_neutral_place_holds_with_a_matrix_that_is_not_balanced():
    scene = ((0.9, 0.2, 0.0), (0.05, 0.9, 0.0), (0.0, 0.1, 0.8))
    shown = replace(COLOUR, scene=scene)
    above = np.array([0.6, 0.8, 0.7])
    change = neutral_balance(np.tile(above, (9, 9, 1)), (0.5, 0.5), shown)
    exposure = layer_exposure(above, shown) * 10.0 ** np.array(change)
    light = np.array(scene) @ exposure
    assert light == pytest.approx(np.full(3, light.mean()), rel=1e-9)


@pytest.mark.parametrize(
    ("above", "words"),
    [((4.1, 4.0, 3.9), "clipped; name one less light"), ((0.02, 0.0, 0.03), "as black as the")],
)
def test_a_place_that_tells_nothing_is_refused_in_one_sentence(above, words):
    (one,) = roll(0.5, 0.7)
    spoilt = replace(one.frames[1], thumbnail=np.tile(np.array(above, np.float16), (20, 30, 1)))
    strips = [replace(one, frames=(one.frames[0], spoilt))]
    entry = {"number": "02", "neutral": [0.5, 0.5], "exposure": 1.0}
    rows, (trouble,) = colours(strips, entries=[entry])
    assert trouble.startswith("frame 02: its neutral place is")
    assert words in trouble
    # The rest of the entry is obeyed.
    assert rows[0][1].exposure_stops == 1.0
    assert rows[0][1].colour.balance == COLOUR.balance


def test_a_place_is_one_of_the_picture_as_written():
    # The frame of 9 by 5 pixels is 9 by 5 mm at 25.4 ppi; an inset of 1 mm leaves 7 by 3 of it.
    (one,) = roll(0.5)
    wide = np.empty((50, 90, 3), np.float16)
    wide[:, :15], wide[:, 15:] = (0.5, 0.7, 0.9), (0.9, 0.7, 0.5)
    own = replace(one, ppi=25.4, frames=(replace(one.frames[0], thumbnail=wide),))
    entry = {"number": "01", "neutral": [0.02, 0.5]}
    (whole,), _ = colours([own], entries=[entry])
    (cut,), _ = colours([own], replace(PLAIN, inset_mm=1.0), [entry])
    assert whole[0].balance == pytest.approx(neutral_balance(wide, (0.02, 0.5), COLOUR))
    assert cut[0].balance == pytest.approx(neutral_balance(wide, (1.14 / 9, 0.5), COLOUR), abs=1e-6)
    (far,), _ = colours(
        [own], replace(PLAIN, inset_mm=1.0), [{"number": "01", "neutral": [0.2, 0]}]
    )
    assert far[0].balance != pytest.approx(cut[0].balance, abs=1e-3)


def test_daylight_on_the_locus_changes_nothing():
    assert scene_light_matrix(None, None) == pytest.approx(np.eye(3), abs=1e-9)
    assert scene_light_matrix(5503.0, 0.0) == pytest.approx(np.eye(3), abs=1e-9)


def working_light(xy: np.ndarray) -> np.ndarray:
    """Return ACEScg of a light as a film balanced for 5503 K sees it, by colour-science."""
    daylight = science.UCS_uv_to_xy(science.temperature.CCT_to_uv(5503.0, method="Planck 1900"))
    space = science.RGB_COLOURSPACES["ACEScg"]
    xyz = science.chromatic_adaptation(
        science.xy_to_XYZ(xy),
        science.xy_to_XYZ(daylight),
        science.xy_to_XYZ(space.whitepoint),
        method="Von Kries",
        transform="Bradford",
    )
    return np.asarray(find_space("acescg").to_xyz) @ np.zeros(3) + np.linalg.solve(
        np.asarray(find_space("acescg").to_xyz), xyz
    )


@pytest.mark.parametrize("kelvin", [2000.0, 2856.0, 3200.0, 4300.0, 7500.0, 12000.0])
def test_the_light_that_is_told_becomes_white(kelvin):
    # Planck's law, CIE 15:2018, and illuminant A at 2856 K, by colour-science.
    xy = science.UCS_uv_to_xy(science.temperature.CCT_to_uv(kelvin, method="Planck 1900"))
    if kelvin == 2856.0:
        known = science.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["A"]
        assert xy == pytest.approx(known, abs=2e-3)
    shown = scene_light_matrix(kelvin, None) @ working_light(xy)
    assert shown == pytest.approx(np.full(3, shown.mean()), rel=3e-3)


# Greener than this, the warmest light leaves the eye's blue with nothing to be raised.
@pytest.mark.parametrize("kelvin", [2700.0, 3500.0, 5000.0, 6500.0])
@pytest.mark.parametrize("duv", [-0.02, -0.006, 0.005, 0.012])
def test_light_off_the_locus_becomes_white(kelvin, duv):
    """Duv is the distance in CIE 1960 u, v along the normal of the Planckian locus.

    Definition of ANSI/IES TM-30; the locus: colour-science, Planck's law.
    """
    near = [
        science.temperature.CCT_to_uv(k, method="Planck 1900") for k in (kelvin - 1, kelvin + 1)
    ]
    along = (near[1] - near[0]) / np.hypot(*(near[1] - near[0]))
    normal = np.array([-along[1], along[0]])
    uv = (near[0] + near[1]) / 2 + duv * normal * np.sign(normal[1])
    shown = scene_light_matrix(kelvin, duv) @ working_light(science.UCS_uv_to_xy(uv))
    assert shown == pytest.approx(np.full(3, shown.mean()), rel=5e-3)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("temperature_k", "write 'colour_temperature_k'."),
        ("tint", "write 'duv', a thousandth of it: 0.01 for 10."),
    ],
)
def test_names_of_old_are_told_by_their_new_ones(old, new):
    with pytest.raises(SettingsProblem, match=f"key '{old}' is not known; ") as told:
        read_corrections([{"number": "07", old: 10}])
    assert str(told.value).endswith(new)


def test_warm_light_is_cooled_and_greenish_light_turned_to_magenta():
    grey = np.full(3, 0.18)
    tungsten = scene_light_matrix(3200.0, None) @ grey
    assert tungsten[2] > tungsten[1] > tungsten[0]
    shade = scene_light_matrix(9000.0, None) @ grey
    assert shade[0] > shade[1] > shade[2]
    tubes = scene_light_matrix(None, 0.012) @ grey
    assert tubes[1] < min(tubes[0], tubes[2])


@given(st.floats(2000, 25000), st.floats(-0.03, 0.03))
def test_any_light_within_the_ranges_gives_a_plain_matrix(kelvin, duv):
    matrix = scene_light_matrix(kelvin, duv)
    assert np.isfinite(matrix).all()
    assert np.linalg.det(matrix) > 0
    # Neutrals under daylight keep their order of magnitude, in all channels.
    white = matrix @ np.ones(3)
    assert white.min() > 0.2
    assert white.max() < 20


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"neutral": [0.5]}, "'neutral' is .*give two numbers from 0 to 1"),
        ({"neutral": [0.5, 1.2]}, r"'neutral' is \[0.5, 1.2\]; give two numbers from 0 to 1"),
        ({"neutral": "middle"}, "'neutral' is 'middle'; give two numbers"),
        ({"balance": [0.1, 0.2]}, "'balance' is .*give three numbers"),
        ({"balance": [0.1, 0.2, True]}, r"'balance' is \[0.1, 0.2, True\]; give three numbers"),
        ({"exposure": 11}, "'exposure' is 11"),
        ({"exposure": "1"}, "'exposure' is '1'; give a number"),
        ({"colour_temperature_k": 900}, "'colour_temperature_k' is 900"),
        ({"duv": 0.031}, "'duv' is 0.031; give a number from -0.03 to 0.03"),
        ({"neutral": [0.1, 0.1], "duv": 0.003}, "'neutral' and 'duv' contradict"),
        ({"neutral": [0.1, 0.1], "balance": [0, 0, 0.1]}, "'neutral' and 'balance' contradict"),
        ({"drop": True, "exposure": 1}, "'drop' and 'exposure' contradict"),
    ],
)
def test_what_makes_no_sense_is_refused(told, words):
    with pytest.raises(SettingsProblem, match=words):
        read_corrections([{"number": "07", **told}])


def test_colours_of_an_entry_are_told_apart_from_its_cut():
    assert not FrameCorrection(1, "07", left_mm=1.0).colours
    assert FrameCorrection(1, "07", duv=0.0).colours
    assert not FrameCorrection(1, "07", exposure=1.0).moves


def recorded(out: Path) -> dict[str, dict]:
    record = json.loads((out / "roll.json").read_text("utf-8"))
    return {frame["number"]: frame for strip in record["strips"] for frame in strip["frames"]}


def test_a_run_tells_what_it_lightened_and_what_it_could_not_do(
    scans: Path, tmp_path: Path, run: Run
):
    (scans / "roll.toml").write_text(
        "even_exposure = true\n"
        '[[frames]]\nnumber = "12"\nduv = 0.005\nexposure = 1.5\n'
        '[[frames]]\nnumber = "16"\nneutral = [0.5, 0.5]\n',
        encoding="utf-8",
    )
    out = tmp_path / "out"
    ran = run("convert", scans, "-o", out, "--archive", "none", "--share-size", "400")
    assert ran.code == 0, ran.err
    # Frame 16 is blank: all of it is film base.
    assert "frame 16: its neutral place is as black as the film base" in ran.err
    frames = recorded(out)
    assert frames["12"]["duv"] == 0.005
    assert "balance" not in frames["12"]
    assert "duv" not in frames["13"]
    trimmed = {number for number, frame in frames.items() if "exposure_stops" in frame}
    # At least the one by hand, never the blank one.
    assert "12" in trimmed
    assert "16" not in trimmed
    sidecar = (out / "harbour_12.xmp").read_text("utf-8")
    assert f"ExposureStops>{frames['12']['exposure_stops']}" in sidecar or (
        f'ExposureStops="{frames["12"]["exposure_stops"]}"' in sidecar
    )
