"""The infra-red plane: registration against scipy.ndimage, cross-talk on the film model.

References: scipy.ndimage.shift and gaussian_filter move and blur planes; the film model's dyes,
silver and scanners (tests/film_model) say what shows in the infra-red.
"""

import math

import numpy as np
import pytest
import scipy.ndimage
from hypothesis import given
from hypothesis import strategies as st

from pipeline.dust import infrared
from pipeline.dust.crosstalk import cross_talk
from pipeline.dust.overlay import find_shift
from pipeline.scan.encoding import linear, power, srgb
from tests.film_model import Process, film_names, load_film, load_scanner
from tests.film_model.dyes import base_dye, spectral_density
from tests.film_model.picture import picture_codes
from tests.film_model.spectra import wavelengths_nm
from tests.render.whole_pictures import overlay_of

COLOUR = infrared.CrossTalk((0.5, 0.0, 0.0), "dust")


def pictures(film: str, scanner: str, silver: float, size: int = 90) -> tuple[np.ndarray, ...]:
    """Return infra-red density and densities above base of a photograph on a film."""
    stock, device, process = load_film(film), load_scanner(scanner), Process(retained_silver=silver)
    scene = picture_codes("table")[: 4 * size : 4, : 6 * size : 4].astype(float) / 255.0
    exposure = (0.002 + 2.0 * scene**2.2) / 0.18
    seen = spectral_density(stock, process, stock.develop(exposure, process))
    bare = spectral_density(stock, process, base_dye(stock, process))
    band = int(np.searchsorted(wavelengths_nm(), 770.0))
    above = device.density(seen) - device.density(bare)
    return seen[..., band].astype(np.float32), above.astype(np.float32)


def dusty(shape: tuple[int, int], count: int = 60) -> np.ndarray:
    rng = np.random.default_rng(4)
    plane = np.zeros(shape, np.float32)
    plane[rng.integers(0, shape[0], count), rng.integers(0, shape[1], count)] = 6.0
    return scipy.ndimage.gaussian_filter(plane, 1.0)


@pytest.mark.parametrize("film", film_names())
@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-b", "scanner-c"])
def test_dyes_are_told_from_silver(film, scanner):
    for silver, verdict in ((0.0, "dust"), (1.0, "silver")):
        plane, above = pictures(film, scanner, silver)
        talk = cross_talk(plane, above, np.ones(plane.shape, bool))
        assert talk.verdict == verdict
    plane, above = pictures(film, scanner, 0.0)
    talk = cross_talk(plane, above, np.ones(plane.shape, bool))
    left = plane - infrared.shown(above, talk)
    assert infrared.spread(left) < 0.004 < 0.05 < plane.std()


def test_black_and_white_film_shows_its_picture():
    plane, above = pictures("film-silver", "scanner-a", 0.0)
    talk = cross_talk(plane, above, np.ones(plane.shape, bool))
    assert talk.verdict == "silver"
    assert sum(talk.share) == pytest.approx(1.0, abs=0.02)


def test_dust_does_not_count_in_cross_talk():
    plane, above = pictures("film-a", "scanner-a", 0.0)
    dust = dusty(plane.shape)
    inside = np.ones(plane.shape, bool)
    clean = cross_talk(plane, above, inside)
    found = cross_talk(plane + dust, above + dust[..., None], inside)
    assert found.share == pytest.approx(clean.share, abs=0.02)
    assert found.verdict == "dust"


def test_a_plane_of_another_picture_is_no_use():
    _, above = pictures("film-a", "scanner-a", 0.0)
    rng = np.random.default_rng(0)
    other = 0.4 * scipy.ndimage.gaussian_filter(rng.standard_normal(above.shape[:2]), 3) * 10
    talk = cross_talk(other.astype(np.float32), above, np.ones(other.shape, bool))
    assert talk.verdict == "misfit"


def test_too_little_film_tells_nothing():
    plane, above = pictures("film-a", "scanner-a", 0.0)
    few = np.zeros(plane.shape, bool)
    few[:10, :10] = True
    assert cross_talk(plane, above, few) is None


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.5, -0.5), (1.3, 2.2), (-3.0, 2.7)])
@pytest.mark.parametrize("blur", [0.0, 0.8])
def test_shift_is_found_between_pixels(shift, blur):
    scene = picture_codes("table")[:300, 60:400].astype(np.float32) / 255.0
    density = np.asarray(-np.log10(0.02 + scene), np.float32) + dusty((300, 340))[..., None]
    through = infrared.shown(density, COLOUR) + 0.5 * dusty((300, 340))
    x, y = shift
    plane = scipy.ndimage.shift(through, (y, x), order=3, mode="nearest")
    plane = scipy.ndimage.gaussian_filter(plane, blur) if blur else plane
    assert find_shift(plane, density, COLOUR) == pytest.approx(shift, abs=0.12)


def test_a_shift_is_taken_back():
    density = dusty((80, 90))
    plane = scipy.ndimage.shift(density, (-2.0, 3.0), order=3, mode="nearest")
    back = infrared.moved(plane, (3.0, -2.0))
    assert back[6:-6, 6:-6] == pytest.approx(density[6:-6, 6:-6], abs=1e-3)
    assert infrared.moved(plane, (0.0, 0.0)) is plane


def test_planes_without_details_are_not_moved():
    rng = np.random.default_rng(1)
    noise = [0.01 * rng.standard_normal((200, 200)).astype(np.float32) for _ in range(4)]
    x, y = find_shift(noise[0], np.stack(noise[1:], axis=2), COLOUR)
    assert math.hypot(x, y) < 1.0


@pytest.mark.parametrize("sigma", [0.0, 0.8, 1.5])
def test_focus_difference_is_that_of_the_blur(sigma):
    density = np.repeat(dusty((260, 300), 120)[..., None], 3, axis=2)
    light = 10.0 ** -density[..., 0]
    plane = -np.log10(scipy.ndimage.gaussian_filter(light, sigma) if sigma else light)
    found = overlay_of(plane.astype(np.float32), density, COLOUR).focus_px
    assert found == pytest.approx(sigma, abs=0.25)


@given(st.floats(1.0, 3.0))
def test_tone_curves_are_undone(gamma):
    exponent = infrared.tone_exponent(power(gamma, "option"))
    assert exponent == pytest.approx(gamma, rel=1e-3)
    light = np.array([[0.5, 0.01]], np.float32)
    codes = light ** np.float32(1.0 / gamma)
    assert infrared.infrared_density(codes, exponent) == pytest.approx(-np.log10(light), abs=2e-3)


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_codes_that_lie_between_others_have_the_density_of_their_light(bits):
    most = 2**bits - 1
    kind = np.uint8 if bits == 8 else np.uint16
    pixels = np.random.default_rng(bits).integers(0, most + 1, (30, 40, 4)).astype(kind)
    light = (pixels[..., 3] / most).astype(np.float32)
    told = infrared.infrared_density(light, 1.4)
    assert infrared.infrared_density(pixels[..., 3], 1.4, most) == pytest.approx(told, abs=1e-6)


def test_srgb_is_about_gamma_two_and_a_quarter():
    assert infrared.tone_exponent(linear("option")) == pytest.approx(1.0)
    # IEC 61966-2-1: an overall exponent of about 2.2.
    assert infrared.tone_exponent(srgb("option")) == pytest.approx(2.2, abs=0.15)
