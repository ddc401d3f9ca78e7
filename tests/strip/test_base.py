"""Film base of a strip against the film model's truth."""

from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.strip.base import FilmBase, density_above, measure_base
from pipeline.strip.density import Illumination
from pipeline.strip.illumination import find_levels
from pipeline.strip.layout import find_strips
from pipeline.strip.shading import places
from pipeline.strip.view import StripView
from tests.film_model import FrameSpec, Holder, ModelScan, Roll, StripSpec, make_scan

PPI = 150
ROLL = Roll("film-a", [FrameSpec("chart"), FrameSpec("coffee")], seed=1)


@dataclass(frozen=True)
class Measured:
    view: StripView
    base: FilmBase
    illumination: Illumination
    truth: dict


def scanned(scanner: str = "scanner-a", roll: Roll = ROLL, **how) -> ModelScan:
    return make_scan([StripSpec(roll, 0, 2, angle_deg=0.4)], scanner, PPI, 1, **how)


def measured(scan: ModelScan) -> Measured:
    full = np.iinfo(scan.codes.dtype).max
    light = ((scan.codes / full) ** scan.truth["scanner"]["gamma"]).astype(np.float32)
    levels = find_levels(light, (scan.codes == full).any(axis=2))
    assert levels is not None
    (strip,) = find_strips(light, levels, PPI / 25.4)
    view = strip.view(light)
    base = measure_base(view.light, levels.illumination, levels.base_light, view.px_per_mm)
    assert base is not None
    return Measured(view, base, levels.illumination, scan.truth)


@pytest.fixture(scope="module")
def plain() -> Measured:
    return measured(scanned())


@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-b", "scanner-c", "scanner-d"])
@pytest.mark.parametrize("film", ["film-a", "film-b"])
def test_base_density_is_the_models(scanner, film):
    # Every scanner of the model has flare (0.2 to 1 %) and fall-off (3 to 8 %).
    found = measured(scanned(scanner, Roll(film, ROLL.frames, seed=1)))
    assert found.base.density == pytest.approx(found.truth["strips"][0]["base_density"], abs=0.02)
    assert max(found.base.spread) < 0.02
    assert found.illumination.absolute


def test_a_light_surround_leaves_the_scanners_offset_in_the_base():
    found = measured(scanned(holder=Holder(opaque=False)))
    told = found.truth["scanner"]
    tau = 10.0 ** -np.array(found.truth["strips"][0]["base_density"])
    # Nothing opaque is in view: offset and flare can't be told from light through film.
    stray = np.array(told["offset"]) + np.array(told["open_gate"]) * told["flare"] / 2
    read = -np.log10((tau * told["open_gate"] + stray) / (np.array(told["open_gate"]) + stray))
    assert found.base.density == pytest.approx(read, abs=0.01)


def test_shading_follows_uneven_light(plain):
    light, dark = plain.view.light.copy(), np.asarray(plain.illumination.dark, np.float32)
    x, y = places(light.shape[:2])
    lamp = 10.0 ** (0.02 * x - 0.015 * x * x + 0.01 * y)
    uneven = (light - dark) * lamp[:, :, None].astype(np.float32) + dark
    base = measure_base(uneven, plain.illumination, plain.base.light, plain.view.px_per_mm)
    assert base is not None
    step = base.log_light(x, y) - plain.base.log_light(x, y)
    assert step == pytest.approx(np.repeat(np.log10(lamp)[:, :, None], 3, axis=2), abs=0.004)
    # The picture's density above base doesn't know of the lamp.
    above = density_above(uneven, base)
    before = density_above(light, plain.base)
    assert np.abs(np.median(above - before, axis=(0, 1))).max() < 0.002


def test_light_over_base_is_even_over_the_rebate(plain):
    above = density_above(plain.view.light, plain.base)
    # ISO 1007, from memory: holes end 4.8 mm and images begin 5.5 mm from the film's edge.
    row = round(5.1 * plain.view.px_per_mm)
    for part in np.array_split(above[row], 4):
        assert np.abs(np.median(part, axis=0)).max() < 0.006


@pytest.mark.parametrize("gain", [0.5, 0.9, 1.1])
def test_gain_leaves_density_above_base_unchanged(plain, gain):
    light = plain.view.light * np.float32(gain)
    # ISO 5-2: density is a ratio of lights, so that the lamp's strength cancels.
    dark, gate = (
        tuple(float(value) * gain for value in level)
        for level in (plain.illumination.dark, plain.illumination.gate)
    )
    illumination = Illumination(dark, gate)
    guess = tuple(value * gain for value in plain.base.light)
    base = measure_base(light, illumination, guess, plain.view.px_per_mm)
    reference = measure_base(
        plain.view.light, plain.illumination, plain.base.light, plain.view.px_per_mm
    )
    assert base is not None
    assert reference is not None
    assert base.density == pytest.approx(reference.density, abs=0.001)
    above = density_above(light, base)
    before = density_above(plain.view.light, reference)
    film = before < 2.5
    assert np.abs(above - before)[film].max() < 0.002


def test_drift_of_the_scanner_leaves_density_above_base_unchanged():
    still = measured(scanned(noise=False))
    drifted = measured(scanned(noise=False, gains=(0.85, 0.95, 1.05)))
    middle = np.s_[60:140:4, 30:400:4]
    above, before = (density_above(one.view.light, one.base)[middle] for one in (drifted, still))
    assert np.median(np.abs(above - before)) < 0.003
    assert drifted.base.density == pytest.approx(still.base.density, abs=0.004)


def test_a_clipped_gate_makes_densities_relative():
    found = measured(scanned("scanner-d", open_gate=1.5))
    assert not found.illumination.absolute
    # Against full scale, not the gate at 1.5 of it: log10 1.5 less in every channel.
    true = np.array(found.truth["strips"][0]["base_density"])
    assert found.base.density == pytest.approx(true - np.log10(1.5), abs=0.02)


def test_only_rebate_and_gaps_are_measured_where_frames_are_known(plain):
    mask = np.zeros(plain.view.light.shape[:2], bool)
    arguments = plain.view.light, plain.illumination, plain.base.light, plain.view.px_per_mm
    assert measure_base(*arguments, mask) is None
    mask[: round(5.4 * plain.view.px_per_mm)] = True
    base = measure_base(*arguments, mask)
    assert base is not None
    assert 0 < base.area_mm2 < mask.sum() / plain.view.px_per_mm**2
    assert base.density == pytest.approx(plain.base.density, abs=0.01)


def test_no_base_in_a_dark_view():
    dark = np.zeros((80, 200, 3), np.float32)
    illumination = Illumination((0.0, 0.0, 0.0), (0.9, 0.9, 0.9))
    assert measure_base(dark, illumination, (0.5, 0.2, 0.1), 6.0) is None


@pytest.mark.parametrize("stops", [0.3, 1.0])
def test_a_lens_falls_off_alike_all_around_one_picture(stops):
    height, width = 480, 720
    x, y = places((height, width))
    # The square of the distance from the axis, 1 at the corners: the cos^4 law, to first order.
    square = (x**2 * width**2 + y**2 * height**2) / (width**2 + height**2)
    light = np.array([0.6, 0.25, 0.12]) * 10.0 ** (-0.30103 * stops * square)[..., None]
    level = light[height // 2, width // 2].copy()
    light[50:-50, 14:-14] *= 0.2
    light = (light + np.random.default_rng(1).normal(0.0, 0.002, light.shape)).astype(np.float32)
    illumination = Illumination((0.0, 0.0, 0.0), None)
    base = measure_base(light, illumination, (0.5, 0.21, 0.1), 20.0)
    assert base is not None
    again = measure_base(light, illumination, base.light, 20.0, uneven=base.unevenness())
    assert again is not None
    assert again.log_light(np.zeros(1), np.zeros(1))[0] == pytest.approx(np.log10(level), abs=0.01)


@pytest.mark.parametrize("backdrop", [0.05, 0.08, 0.12])
def test_an_even_backdrop_just_above_base_is_no_base(backdrop):
    light = np.full((400, 900, 3), [0.5, 0.25, 0.12], np.float32)
    for first, last in ((0, 430), (470, 900)):
        light[25:375, first:last] *= 10.0**-backdrop
    light *= np.random.default_rng(4).normal(1.0, 0.01, light.shape).astype(np.float32)
    illumination = Illumination((0.0, 0.0, 0.0), (1.0, 1.0, 1.0))
    guess = (0.5, 0.25, 0.12)
    base = measure_base(light, illumination, guess, 8.0)
    assert base is not None
    assert base.density == pytest.approx(-np.log10(guess), abs=0.003)
