"""Density that a scan does not resolve: from the other channels, and nowhere else."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.colour.roll import one_channel
from pipeline.colour.unmask import from_profile, scene_light
from pipeline.profile.film import find_film
from pipeline.profile.space import find_space
from pipeline.render.arrays import Coarse
from pipeline.render.coarse import coarse_of, settled_densities
from pipeline.render.scene import SceneBands, to_density_above
from pipeline.render.tone import PrintTone
from pipeline.scan import light_steps
from pipeline.scan.scan import Scan, open_scan, rounding_codes
from pipeline.strip.base import FrameBase
from pipeline.strip.density import Illumination
from tests.render.whole_pictures import as_share

BASE = FrameBase(
    ((-0.8, 0.0, 0.0, 0.0, 0.0), (-1.2, 0.0, 0.0, 0.0, 0.0), (-1.6, 0.0, 0.0, 0.0, 0.0)),
    -1.0, 1.0, -1.0, 1.0, Illumination((0.0, 0.0, 0.0), None),
)  # fmt: skip
COLOUR = from_profile(find_film("generic"))


@pytest.fixture
def scan(tmp_path) -> Scan:
    Image.new("RGB", (64, 64)).save(tmp_path / "a.jpg")
    return open_scan(tmp_path / "a.jpg")[0]


def known(scan: Scan) -> Coarse:
    coarse = coarse_of(scan, BASE, COLOUR)
    assert coarse is not None
    return coarse


def srgb_codes(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, in whole codes of 8 bits."""
    curved = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(255.0 * np.clip(curved, 0.0, 1.0))


def srgb_light(codes: np.ndarray) -> np.ndarray:
    scaled = codes / 255.0
    return np.where(scaled <= 0.04045, scaled / 12.92, ((scaled + 0.055) / 1.055) ** 2.4)


def greys_of_film(exposures: np.ndarray) -> np.ndarray:
    """Return densities above base (n, 3) of greys, by the film's curves and its mask."""
    layers = np.stack([curve.density(exposures) for curve in COLOUR.curves])
    return np.linalg.solve(np.asarray(COLOUR.unmask), layers).T


def lights(above: np.ndarray) -> np.ndarray:
    level = np.array([row[0] for row in BASE.terms])
    return 10.0 ** (level - above)


def rendered(light: np.ndarray, coarse: Coarse | None) -> np.ndarray:
    planes = np.ascontiguousarray(light.T[:, None].astype(np.float32))
    bands = SceneBands(BASE, COLOUR, (1, len(light)), coarse)
    return bands.of(planes, 0)[:, 0].T.copy()


def test_a_bright_grey_stays_grey_where_its_blue_lies_on_the_least_codes(scan):
    exposures = 0.18 * 2.0 ** np.linspace(2.0, 5.0, 60)
    true = lights(greys_of_film(exposures))
    coded = srgb_light(srgb_codes(true))
    assert (srgb_codes(true)[:, 2] <= 3).mean() > 0.3

    def cast(values: np.ndarray) -> np.ndarray:
        return np.abs(np.log2(np.maximum(values[:, 2], 1e-6) / values[:, 1]))

    truth = np.asarray(scene_light(greys_of_film(exposures), COLOUR))
    assert cast(truth).max() < 0.01
    plain, settled = rendered(coded, None), rendered(coded, known(scan))
    assert cast(settled).max() < 0.6 * cast(plain).max()
    assert cast(settled).mean() < 0.75 * cast(plain).mean()


def test_light_on_fine_codes_is_left_as_it_is(scan):
    coarse = known(scan)
    rng = np.random.default_rng(1)
    light = rng.uniform(1.01 * coarse.most.max(), 0.5, (500, 3)).astype(np.float32)
    assert np.array_equal(rendered(light, coarse), rendered(light, None))
    # That is a seventh of the codes.
    assert srgb_codes(coarse.most).max() < 255 / 5


def test_what_is_moved_grows_from_nothing(scan):
    coarse = known(scan)
    light = np.full((4000, 3), 0.03, np.float32)
    light[:, 2] = np.geomspace(1e-4, 2.0 * coarse.most[2], 4000)
    planes = np.ascontiguousarray(light.T[:, None])
    SceneBands(BASE, COLOUR, (1, 4000), coarse).of(planes, 0)
    moved = np.log10(planes[2, 0] / light[:, 2])
    assert np.abs(np.diff(moved)).max() < 0.01
    assert moved[-1] == 0.0


def blurred_by_codes(off_grey: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return densities (n, 3) off a light grey, and how far settled ones are from them (n,).

    They are seen wrong by 0.08 on average, as on the fourth code of 255.
    """
    rng = np.random.default_rng(8)
    above = greys_of_film(np.full(4000, 0.6)) + off_grey
    seen = above + rng.uniform(-0.14, 0.14, above.shape)
    settled = settled_densities(seen, np.full(above.shape, 0.08), COLOUR)
    return np.abs(seen - above).mean(axis=1), np.abs(settled - above).mean(axis=1)


def test_a_colour_far_from_grey_is_not_taken_for_one_that_was_seen_wrongly():
    rng = np.random.default_rng(4)
    pale = rng.normal(0.0, [0.05, 0.01, 0.05], (4000, 3))
    vivid = rng.choice([-1.0, 1.0], (4000, 3)) * [0.5, 0.25, 0.5]
    before, after = blurred_by_codes(pale)
    assert after.mean() < 0.85 * before.mean()
    before, after = blurred_by_codes(vivid)
    assert after.mean() < 1.2 * before.mean()


def noisy_scan(path: Path, noise: float, level: float = 0.004) -> Scan:
    """Write linear light of one level with a scanner's noise, in 16 bits."""
    light = np.random.default_rng(3).normal(level, noise, (240, 300, 3))
    codes = np.rint(65535.0 * np.clip(light, 0.0, 1.0)).astype(np.uint16)
    tifffile.imwrite(path, codes, photometric="rgb")
    return open_scan(path)[0]


def over(dark: float) -> FrameBase:
    return replace(BASE, illumination=Illumination((dark,) * 3, None))


def shown_off_grey(light: np.ndarray, base: FrameBase, coarse: Coarse | None) -> np.ndarray:
    """Return how far apart the channels (n,) of what is shown of light (3, 1, n) are."""
    scene = SceneBands(base, COLOUR, light.shape[1:], coarse).of(light.copy(), 0)[:, 0].T.copy()
    shown = as_share(scene, "print", find_space("srgb"), tone=PrintTone())
    return np.ptp(shown, axis=1)


@pytest.mark.parametrize(("noise", "left"), [(0.0002, 0.1), (0.001, 0.1), (0.004, 0.5)])
def test_what_is_denser_than_the_noise_of_sixteen_bits_is_white(tmp_path, noise, left):
    base = over(0.006)
    coarse = coarse_of(noisy_scan(tmp_path / "a.tif", noise, 0.006), base, COLOUR)
    # Opaque tape: no light at all in any channel.
    light = np.random.default_rng(5).normal(0.006, noise, (3, 1, 4000)).astype(np.float32)
    before, after = (shown_off_grey(light, base, known) for known in (None, coarse))
    assert before.mean() > 0.15
    # The last is a sixth of the base's own light in blue.
    assert after.mean() < left * before.mean()


def test_a_dark_level_that_lies_too_high_makes_no_colour(tmp_path):
    # The holder's edge, where the dark level is taken, had the glare of the lamp beside it.
    base, darker = over(0.006), 0.0054
    scan = noisy_scan(tmp_path / "a.tif", 0.0001, darker)
    light = (lights(greys_of_film(np.array([0.18 * 2.0**5])))[0] + darker)[:, None, None]
    light = np.repeat(light, 500, axis=2)
    light = (light + np.random.default_rng(5).normal(0, 0.0001, light.shape)).astype(np.float32)
    before, after = (
        shown_off_grey(light, base, known) for known in (None, coarse_of(scan, base, COLOUR))
    )
    assert before.mean() > 0.1
    assert after.mean() < 0.1 * before.mean()


def test_light_that_is_surely_there_keeps_its_colour(tmp_path):
    noise, base = 0.001, over(0.004)
    coarse = coarse_of(noisy_scan(tmp_path / "a.tif", noise), base, COLOUR)
    # A blue lamp: no light got through the blue layer's dye, plenty through the others.
    level = np.array([row[0] for row in BASE.terms])
    light = np.full((3, 1, 1), 0.004, np.float32)
    light[:2, 0, 0] += 10.0 ** (level[:2] - 0.3)
    planes = light.copy()
    SceneBands(base, COLOUR, (1, 1), coarse).of(planes, 0)
    assert planes[2, 0, 0] - 0.004 < 2.5 * noise
    assert np.array_equal(planes[:2], light[:2])


def test_resolved_light_of_sixteen_bits_stays_bit_for_bit(tmp_path):
    noise, base = 0.0002, over(0.004)
    coarse = coarse_of(noisy_scan(tmp_path / "a.tif", noise), base, COLOUR)
    light = np.random.default_rng(1).uniform(0.004 + 6.0 * noise, 0.5, (3, 4, 900))
    light = light.astype(np.float32)
    planes = light.copy()
    SceneBands(base, COLOUR, (4, 900), coarse).of(planes, 0)
    assert np.array_equal(planes, light)
    # Without noise, codes of 16 bits alone: a dozen of them.
    clean = coarse_of(noisy_scan(tmp_path / "b.tif", 0.0), base, COLOUR)
    assert clean is not None
    assert (65535.0 * (clean.most - base.illumination.dark)).max() < 16.0


def test_one_channel_is_not_touched(scan):
    grey = one_channel(find_film("monochrome"), [(0.01, 0.01, 0.01)])
    assert coarse_of(scan, BASE, grey) is None


def test_light_at_or_below_the_dark_level_has_a_density(scan):
    base = replace(BASE, illumination=Illumination((0.002, 0.002, 0.002), None))
    coarse = coarse_of(scan, base, COLOUR)
    light = np.full((3, 1, 4), 0.004, np.float32)
    light[2, 0] = [0.0, 0.001, 0.002, 0.0021]
    SceneBands(base, COLOUR, (1, 4), coarse).of(light, 0)
    assert to_density_above(np.moveaxis(light, 0, 2), base)[..., 2].max() < 3.0


def test_small_pictures_settle_as_large_ones_do(scan):
    rng = np.random.default_rng(6)
    above = greys_of_film(10.0 ** rng.uniform(-1.0, 0.9, 300)) + rng.normal(0.0, 0.15, (300, 3))
    light = srgb_light(srgb_codes(lights(above)))[None]
    seen = to_density_above(light.astype(np.float32), BASE)
    planes = np.ascontiguousarray(np.moveaxis(light, 2, 0), np.float32)
    SceneBands(BASE, COLOUR, (1, 300), known(scan)).of(planes, 0)
    large = to_density_above(np.moveaxis(planes, 0, 2), BASE)
    assert np.abs(large - seen).max() > 0.1
    steps = rounding_codes(scan) * light_steps(light[0], scan.encoding, 8)
    doubt = steps / (np.log(10.0) * np.maximum(light, steps))
    small = settled_densities(seen, doubt, COLOUR)
    # The kernel's steps of a code lie in a table of 64 entries.
    assert np.abs(small - large).max() < 0.02


def test_small_pictures_of_fine_codes_and_of_one_channel_stay(scan):
    above = np.random.default_rng(2).uniform(0.0, 3.0, (5, 7, 3))
    assert np.array_equal(settled_densities(above, np.full(above.shape, 0.005), COLOUR), above)
    grey = one_channel(find_film("monochrome"), [(0.01, 0.01, 0.01)])
    assert np.array_equal(settled_densities(above, np.ones(above.shape), grey), above)
