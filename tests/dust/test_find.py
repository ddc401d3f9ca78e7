"""Dust found and mended, on scans of the film model with the same dust and without.

The film model (tests/film_model) knows what light the dust lets through. Sub-pixel shifts and
blurs are laid on the infra-red plane by it.
"""

from typing import NamedTuple

import numpy as np
import pytest
import scipy.ndimage
from hypothesis import given
from hypothesis import strategies as st

from pipeline.dust.crosstalk import cross_talk
from pipeline.dust.fill import filled
from pipeline.dust.find import Dust, Seen, dust_of, filling_error
from pipeline.dust.infrared import CrossTalk, infrared_density, shown, tone, tone_exponent
from pipeline.dust.mend import scaled_back
from pipeline.scan.encoding import linear, power, to_light
from tests.film_model import FrameSpec, Process, Roll, StripSpec, make_scan
from tests.render.whole_pictures import find_dust, mended

PPI = 400.0
DARK = (0.004, 0.004, 0.004)
# Base of the model's films is denser than this everywhere: nothing counts as open gate.
NO_GATE = (-9.0, -9.0, -9.0)


class Case(NamedTuple):
    """A frame with dust, and what is known of it."""

    light: np.ndarray
    clean: np.ndarray
    through: np.ndarray
    infrared: np.ndarray
    dark: tuple[float, float, float]
    talk: CrossTalk


def case(scanner: str = "scanner-a", scene: str = "coffee", count: int = 150, **options) -> Case:
    roll = Roll("film-a", (FrameSpec(scene),), seed=3, process=Process())
    strips = [StripSpec(roll, 0, 1)]
    common = {"scanner": scanner, "ppi": PPI, "seed": 3, "infrared": True}
    with_dust = make_scan(strips, dust_count=count, dust_seed=1, **common, **options)
    without = make_scan(strips, **common)
    outline = np.array(with_dust.truth["strips"][0]["frames"][0]["outline"])
    low, high = outline.min(axis=0) + 6, outline.max(axis=0) - 6
    place = slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))
    device = with_dust.scanner
    encoding = linear("option") if device.gamma == 1.0 else power(device.gamma, "option")
    dark = tuple(device.offset.tolist())
    light = to_light(with_dust.codes[place], encoding)
    codes = (with_dust.infrared[place] / 65535.0).astype(np.float32)
    infrared = infrared_density(codes, tone_exponent(encoding))
    through = np.ones(light.shape[:2]) if with_dust.dust is None else with_dust.dust[place]
    through = scipy.ndimage.gaussian_filter(through, device.blur_mm * PPI / 25.4)
    talk = cross_talk(infrared, density_of(light, dark), np.ones(through.shape, bool))
    clean = to_light(without.codes[place], encoding)
    return Case(light, clean, through, infrared, dark, talk)


def density_of(light: np.ndarray, dark: tuple[float, float, float]) -> np.ndarray:
    above = np.maximum(light - np.asarray(dark, np.float32), np.float32(1e-5))
    return -np.log10(above)


def found_in(made: Case) -> Dust:
    density = density_of(made.light, made.dark)
    return find_dust(density, made.infrared, made.talk, base=NO_GATE, px_per_mm=PPI / 25.4)


def dust_at(mask: np.ndarray, share: np.ndarray, density: np.ndarray) -> Dust:
    doubt = filling_error(mask, tone(density), np.nonzero(mask))
    return Dust(mask, share, filled(density, mask), doubt)


def psnr(made: Case, light: np.ndarray, where: np.ndarray) -> float:
    off = density_of(light, made.dark)[where] - density_of(made.clean, made.dark)[where]
    return float(-20.0 * np.log10(np.sqrt(np.square(off).mean())))


SEEN = [
    ("scanner-a", (0.0, 0.0), 0.0, 18.0, 0.99),
    ("scanner-a", (1.3, -0.6), 0.5, 10.0, 0.95),
    ("scanner-b", (3.0, 2.4), 0.8, 6.0, 0.8),
    ("scanner-c", (-2.0, 1.0), 1.0, 5.0, 0.75),
]


@pytest.mark.parametrize(("scanner", "shift", "blur", "gain_db", "share"), SEEN)
def test_dust_is_found_and_mended(scanner, shift, blur, gain_db, share):
    made = case(scanner, infrared_shift_px=shift, infrared_blur_px=blur)
    dust = found_in(made)
    result = mended(made.light, density_of(made.light, made.dark), dust, made.dark)
    # Frames are cut with a margin, since planes beside each other end at different places.
    strong = np.zeros(made.through.shape, bool)
    strong[12:-12, 12:-12] = made.through[12:-12, 12:-12] < 0.8
    assert strong.sum() > 300
    assert (dust.mask & strong).sum() >= share * strong.sum()
    assert psnr(made, result, strong) > psnr(made, made.light, strong) + gain_db
    # Nothing farther from dust than its blur and a pixel or two is in the mask at all.
    reach = int(np.ceil(2 + 2.5 * blur))
    near = scipy.ndimage.binary_dilation(made.through < 0.99, iterations=2 * reach)
    assert not (dust.mask & ~near).any()


@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-b", "scanner-c"])
@pytest.mark.parametrize("scene", ["table", "chart", "coffee"])
def test_a_clean_picture_stays_as_it_is(scanner, scene):
    roll = {"scanner": scanner, "scene": scene, "count": 0}
    made = case(**roll, infrared_shift_px=(1.7, -2.2), infrared_blur_px=0.7)
    dust = found_in(made)
    assert not dust.mask.any()
    result = mended(made.light, density_of(made.light, made.dark), dust, made.dark)
    assert result.tobytes() == made.light.tobytes()


@pytest.mark.parametrize("share", [0.05, 0.1, 0.3])
@pytest.mark.parametrize("enlarged", [1, 4, 8])
def test_hard_edges_of_an_enlarged_chart_are_no_dust(share, enlarged):
    """Where a pixel takes in light and dark, light adds up; density is read of the sum."""
    rng = np.random.default_rng(2)
    side = 480 // enlarged
    row, column = np.mgrid[0:side, 0:side] / side
    angle = np.arctan2(row - 0.5, column - 0.5)
    bars = np.sin(np.where(row < 0.5, 24.0 * angle, 60.0 * column * (0.5 + column))) > 0.0
    density = np.where(bars, 1.9, 0.3).astype(np.float32)
    through = scipy.ndimage.gaussian_filter(10.0**-density, 0.8)
    beneath = scipy.ndimage.gaussian_filter(10.0 ** (-share * density), 0.9)
    if enlarged > 1:
        through, beneath = (
            scipy.ndimage.zoom(each, enlarged, order=3) for each in (through, beneath)
        )
    light = np.repeat(np.clip(through, 1e-4, 1.0)[..., None], 3, axis=2)
    light = light * (1.0 + rng.normal(0.0, 0.01, light.shape))
    infrared = -np.log10(np.clip(beneath, 1e-4, 1.0)) + rng.normal(0.0, 0.002, beneath.shape)
    inside = np.ones(beneath.shape, bool)
    above = density_of(light.astype(np.float32), (0.0, 0.0, 0.0))
    talk = cross_talk(infrared.astype(np.float32), above, inside)
    assert talk.verdict == "dust"
    found = find_dust(above, infrared.astype(np.float32), talk, base=NO_GATE, px_per_mm=126.0)
    assert not found.mask.any()


@given(st.integers(0, 1000))
def test_pixels_outside_the_mask_stay_bit_for_bit(seed):
    rng = np.random.default_rng(seed)
    light = rng.uniform(0.0, 1.0, (24, 30, 3)).astype(np.float32)
    mask = rng.random((24, 30)) < 0.2
    share = np.where(mask, rng.uniform(0.0, 1.0, mask.shape), 1.0).astype(np.float32)
    density = density_of(light, DARK)
    dust = dust_at(mask, share, density)
    before = light.copy()
    result = mended(light, density, dust, DARK)
    assert result[~mask].tobytes() == light[~mask].tobytes()
    assert (light == before).all()
    assert np.isfinite(result).all()


@given(st.floats(0.03, 1.0), st.floats(0.02, 1.0), st.floats(0.0, 0.05))
def test_scaling_back_is_exact_where_the_share_is_known(share, light, level):
    dark = (level, level / 2.0, 0.0)
    above = np.array([[light, light / 3.0, light / 7.0]], np.float32)
    seen = above * np.float32(share) + np.asarray(dark, np.float32)
    back = scaled_back(density_of(seen, dark), np.array([share], np.float32))
    assert 10.0**-back == pytest.approx(above, rel=1e-4, abs=1e-5)


def test_a_veil_is_scaled_back_rather_than_filled():
    rng = np.random.default_rng(0)
    clean = rng.uniform(0.2, 0.8, (80, 80, 3)).astype(np.float32)
    y, x = np.mgrid[0:80, 0:80]
    share = (1.0 - 0.4 * np.exp(-((x - 40) ** 2 + (y - 40) ** 2) / 200.0)).astype(np.float32)
    mask = share < 0.98
    share[~mask] = 1.0
    light = (clean - 0.004) * share[..., None] + np.float32(0.004)
    density = density_of(light, DARK)
    result = mended(light, density, dust_at(mask, share, density), DARK)
    filling_off = np.abs(filled(density, mask) - density_of(clean, DARK)[mask]).mean()
    assert np.abs(np.log10(result / clean))[mask].mean() < 0.3 * filling_off


def flat_scene(px_per_mm: float = 20.0) -> tuple[np.ndarray, np.ndarray, dict]:
    rng = np.random.default_rng(7)
    density = 0.6 + 0.004 * rng.standard_normal((160, 200, 3)).astype(np.float32)
    plane = 0.05 + 0.004 * rng.standard_normal((160, 200)).astype(np.float32)
    told = {"talk": CrossTalk((0.1, 0.0, 0.0), "dust"), "px_per_mm": px_per_mm}
    return density, plane, told


def test_what_is_dark_in_the_infra_red_alone_is_left():
    density, plane, told = flat_scene()
    plane[60:66, 80:86] += 0.5
    assert not find_dust(density, plane, base=NO_GATE, **told).mask.any()
    density[60:66, 80:86] += 0.5
    assert find_dust(density, plane, base=NO_GATE, **told).mask[60:66, 80:86].all()


def test_a_plane_that_lies_aside_by_less_than_is_seen_is_taken_as_it_lies():
    density, plane, told = flat_scene()
    for each in (density, plane):
        each[60:66, 80:86] += 0.5
    seen = Seen(density, tone(density), shown(density, told["talk"]))
    as_it_lies, aside, more = (
        dust_of(seen, plane, told["talk"], (x, 0.0), 0.0, base=NO_GATE, px_per_mm=20.0)
        for x in (0.0, 0.008, 0.03)
    )
    assert as_it_lies.mask[60:66, 80:86].all()
    assert (aside.share == as_it_lies.share).all()
    assert (more.share != as_it_lies.share).any()


def test_the_doubt_of_a_filling_is_that_of_clean_places_round_about():
    density, plane, told = flat_scene()
    for each in (density, plane):
        each[60:66, 80:86] += 0.5
    dust = find_dust(density, plane, base=NO_GATE, **told)
    rows, columns = (places.astype(np.int32) for places in dust.places())
    assert len(dust.doubt) == len(dust.filling) == len(rows) > 0
    told_there = filling_error(dust.mask, tone(density), (rows, columns))
    assert dust.doubt == pytest.approx(told_there, rel=1e-5)


def test_holder_and_tape_are_no_dust():
    density, plane, told = flat_scene()
    for each in (density, plane):
        each[:50] += 1.5
        each[100:104, 30:34] += 0.5
    mask = find_dust(density, plane, base=NO_GATE, **told).mask
    assert not mask[:45].any()
    assert mask[100:104, 30:34].all()


def test_beside_the_film_nothing_is_dust():
    density, plane, told = flat_scene()
    density[:40] = 0.05
    for each in (density, plane):
        each[20:23, 90:93] += 0.4
        each[120:123, 90:93] += 0.4
    mask = find_dust(density, plane, base=(0.6, 0.6, 0.6), **told).mask
    assert not mask[:40].any()
    assert mask[120:123, 90:93].all()


def test_a_scratch_that_scatters_light_is_mended():
    density, plane, told = flat_scene()
    for each in (density, plane):
        each[80, 10:190] += 0.3
        each[81, 10:190] += 0.15
    dust = find_dust(density, plane, base=NO_GATE, **told)
    assert dust.mask[80:82, 12:188].all()
    light = (10.0**-density).astype(np.float32) + np.float32(0.004)
    result = mended(light, density, dust, DARK)
    assert np.log10(result[80:82, 12:188] - 0.004).mean() == pytest.approx(-0.6, abs=0.01)
