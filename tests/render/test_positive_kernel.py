"""The compiled loops held against the same colour in plain float64 numpy (tests/slow_rendering).

Bound: one code value of 16 bits.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.colour.roll import one_channel
from pipeline.colour.unmask import RollColour, from_profile
from pipeline.profile.curve import LayerCurve, Shoulder
from pipeline.profile.film import find_film
from pipeline.profile.space import acescct, find_space
from pipeline.render.band_kernel import ONE
from pipeline.render.code_kernel import EIGHT_BITS, SIXTEEN_BITS, interleaved
from pipeline.render.look import Levels, as_log, display_values, showing
from pipeline.render.resample import AreaMean, reduced_size
from pipeline.render.scene import SceneBands
from pipeline.render.tone import PrintTone
from pipeline.strip.base import FrameBase
from pipeline.strip.density import Illumination
from tests.render.slow import slow_codes, slow_density, slow_mean, slow_scene, slow_shown

DARK = (0.002, 0.0025, 0.0022)
BASE = FrameBase(
    ((-0.3, 0.02, -0.05, 0.01), (-0.7, -0.03, -0.04, 0.02), (-1.0, 0.01, -0.06, -0.02)),
    -0.9, -0.4, 0.8, -0.7, Illumination(DARK, None),
)  # fmt: skip
GENERIC = from_profile(find_film("generic"))
BENT = LayerCurve(0.62, 0.004, 1.3, Shoulder(2.2, 0.2, 0.2))
COLOURS = {
    "generic": GENERIC,
    "trimmed": replace(GENERIC, balance=(0.06, 0.0, -0.11), exposure=1.7),
    "points": from_profile(find_film("adx")),
    "shoulder": replace(GENERIC, curves=(BENT, BENT, BENT)),
    "one channel": one_channel(find_film("monochrome"), [(0.01, 0.02, 0.03)]),
}
TONES = (PrintTone(), PrintTone(1.31, 0.012))
SET = Levels((0.02, 0.0, 0.01), (0.97, 1.0, 0.9), (1.1, 1.0, 0.8))
SPACES = ("romm-rgb", "srgb", "oprgb", "rec2020", "display-p3", "acescg")
# All pairs but those of a film's colour and an output space, which different loops see to.
PRINTS = [
    (tuple(COLOURS)[k % 5], TONES[k % 2], (Levels(), SET)[(k // 2 + k) % 2], SPACES[k // 2 % 6])
    for k in range(15)
]


# Five stops above a perfect white (1.0). Of light far beyond it, single floats lose the weakest
# channel of strong colours, and so would the scanner.
LIGHTEST = 32.0


def light_of_all_kinds(colour: RollColour, rows: int = 21, columns: int = 1100) -> np.ndarray:
    """Return light (h, w, 3) of a film that saw black to five stops over white, in strong colours.

    Some of it is as light as the open gate, or lighter than the base by its noise.
    """
    rng = np.random.default_rng(1)
    grey = 10.0 ** rng.uniform(-4.5, np.log10(LIGHTEST), (rows, columns, 1))
    seen = np.clip(grey * 10.0 ** rng.normal(0.0, 0.3, (rows, columns, 3)), 0.0, LIGHTEST)
    gains = colour.exposure * 10.0 ** np.asarray(colour.balance)
    layers = np.stack([c.density(seen[..., k] / gains[k]) for k, c in enumerate(colour.curves)], -1)
    above = layers @ np.linalg.pinv(np.asarray(colour.unmask)).T
    above += rng.normal(0.0, 0.01, above.shape)
    above[:, ::50] -= 0.4
    level = slow_density(np.ones_like(above), BASE) + np.log10(1.0 - np.array(DARK))
    return np.clip(10.0 ** (level - above) + DARK, 0.0, 1.0).astype(np.float32)


def planes_of(picture: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(np.moveaxis(picture, 2, 0), np.float32)


@cache
def scene_pair(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the scene light of a colour's film: of the compiled loop, and of the slow chain."""
    colour = COLOURS[name]
    light = light_of_all_kinds(colour)
    size = light.shape[:2]
    fast = np.concatenate(
        [
            SceneBands(BASE, colour, size).of(planes_of(light[top : top + 8]), top)
            for top in range(0, size[0], 8)
        ],
        axis=1,
    )
    return fast, slow_scene(slow_density(light.astype(float), BASE), colour)


def test_prints_are_of_all_pairs():
    names, tones, levels, spaces = (list(each) for each in zip(*PRINTS, strict=True))
    for many, few in ((names, tones), (names, levels), (spaces, tones), (spaces, levels)):
        assert len({(a, repr(b)) for a, b in zip(many, few, strict=True)}) == 2 * len(set(many))
    assert len({repr(pair) for pair in zip(tones, levels, strict=True)}) == 4


@pytest.mark.parametrize(("name", "tone", "levels", "space"), PRINTS)
def test_prints_are_those_of_the_slow_chain(name, tone, levels, space):
    fast, slow = scene_pair(name)
    shown = display_values(fast, showing(find_space(space), levels, tone, printed=True))
    codes = np.empty((*shown.shape[1:], 3), np.uint16)
    interleaved(shown, codes, False, ONE, SIXTEEN_BITS)
    told = slow_codes(slow_shown(slow, find_space(space), levels, tone))
    assert np.abs(codes.astype(int) - told).max() <= 1


@pytest.mark.parametrize("name", COLOURS)
def test_log_and_linear_light_are_those_of_the_slow_chain(name):
    fast, slow = scene_pair(name)
    # What a 16 bit log code can tell: 17.52 stops over its range (Academy S-2016-001).
    told = np.moveaxis(np.asarray(acescct(slow), float), 2, 0)
    held = np.clip(told, 0.0, 1.0), np.clip(as_log(fast).astype(float), 0.0, 1.0)
    assert np.abs(held[0] - held[1]).max() * 65535 <= 1.0
    # A channel is a sum, which may take away from large numbers nearly as much.
    bound = 2e-5 * np.abs(slow) + 1e-6 * np.abs(slow).max(axis=2, keepdims=True) + 1e-6
    assert (np.abs(np.moveaxis(fast, 0, 2) - slow) < bound).all()


@pytest.mark.parametrize("space", SPACES)
def test_uncurved_light_is_that_of_the_slow_chain(space):
    fast, slow = scene_pair("generic")
    shown = display_values(fast, showing(find_space(space), printed=False))
    told = slow_codes(slow_shown(slow, find_space(space)))
    assert np.abs(slow_codes(np.moveaxis(shown, 0, 2).astype(float)) - told).max() <= 1


def test_bands_and_chunks_leave_no_seam():
    light = planes_of(light_of_all_kinds(GENERIC, rows=9))
    whole = SceneBands(BASE, GENERIC, light.shape[1:]).of(light, 0)
    rows = [
        SceneBands(BASE, GENERIC, (9, 1100)).of(light[:, k : k + 1].copy(), k) for k in range(9)
    ]
    assert (np.concatenate(rows, axis=1) == whole).all()


@pytest.mark.parametrize("columns", [1, 15, 17, 511, 513, 600, 1099])
def test_a_narrower_band_has_the_same_pixels(columns):
    light = planes_of(light_of_all_kinds(GENERIC, rows=3))
    whole, part = (SceneBands(BASE, GENERIC, light.shape[1:]) for _ in range(2))
    told = whole.of(light, 0)[..., :columns]
    # Where a row ends in the midst of a vector, so many are done once more.
    assert part.of(light[..., :columns].copy(), 0).tobytes() == told.tobytes()


def test_light_far_beyond_white_is_that_of_the_slow_chain():
    levels = np.array([0.0, 0.18, 1.0, 1e3, 9e5, 1e6, 1e7])
    scene = np.stack(np.meshgrid(levels, levels, levels), axis=-1).reshape(1, -1, 3)
    shown = display_values(planes_of(scene), showing(find_space("srgb"), printed=True))
    told = slow_codes(slow_shown(scene, find_space("srgb"), None, PrintTone()))
    assert np.abs(slow_codes(np.moveaxis(shown, 0, 2).astype(float)) - told).max() <= 1


def test_grey_codes_are_equal():
    planes = planes_of(light_of_all_kinds(GENERIC))
    codes = np.empty((*planes.shape[1:], 3), np.uint16)
    interleaved(planes, codes, True, ONE, SIXTEEN_BITS)
    assert (codes == codes[..., 1:2]).all()
    assert (codes[..., 1] == np.floor(np.clip(planes[1], 0, 1) * np.float32(65535) + 0.5)).all()


@pytest.mark.parametrize("grey", [False, True])
def test_eight_bits_are_rounded_values(grey):
    planes = planes_of(light_of_all_kinds(GENERIC))
    codes = np.empty((*planes.shape[1:], 3), np.uint8)
    interleaved(planes, codes, grey, ONE, EIGHT_BITS)
    exact = np.clip(np.moveaxis(planes[[1, 1, 1]] if grey else planes, 0, 2).astype(float), 0, 1)
    assert np.abs(codes - exact * 255.0).max() <= 0.5 + 1e-4


@settings(max_examples=60)
@given(
    st.tuples(st.integers(1, 70), st.integers(1, 70)),
    st.integers(1, 70),
    st.integers(1, 20),
    st.integers(0, 9),
)
def test_area_means_are_exact(size, long_side, band, seed):
    picture = np.random.default_rng(seed).random((*size, 3))
    small = reduced_size(size, long_side)
    assert max(small) == min(max(size), long_side)
    mean, planes = AreaMean(size, small), planes_of(picture)
    parts = [
        mean.of(np.ascontiguousarray(planes[:, top : top + band]), top)
        for top in range(0, size[0], band)
    ]
    told = slow_mean(picture, *small)
    assert np.moveaxis(np.concatenate(parts, axis=1), 0, 2) == pytest.approx(told, abs=3e-6)
