"""What files round densities by, held against JPEG as Pillow (libjpeg) writes it."""

import io
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from pipeline.colour.fit import SeenChart, fit_profile
from pipeline.colour.unmask import from_profile, scene_light
from pipeline.profile.film import find_film
from pipeline.scan.container import Container
from pipeline.scan.encoding import linear, srgb, to_light
from pipeline.scan.jpeg import _JPEG
from pipeline.strip.base import FilmBase
from pipeline.strip.density import Illumination
from pipeline.survey.rounding import rounding_of
from tests.film_model import Process, load_film, load_scanner
from tests.film_model.dyes import base_dye, spectral_density
from tests.fitted.generic import chart_density, delta_e

OPEN_GATE, GRAIN, SIDE = 0.8, 0.005, 40
ENCODING = srgb("container")
LOSSLESS = Container(_JPEG.opened)
FLAT = ((0.0,) * 5,) * 3


def scan(container: Container, bits: int = 8, encoding=ENCODING, floating: bool = False):
    return SimpleNamespace(container=container, bits=bits, encoding=encoding, floating=floating)


def base(density: np.ndarray) -> FilmBase:
    light = OPEN_GATE * 10.0**-density
    told = tuple(density.tolist())
    gate = Illumination((0.0,) * 3, (OPEN_GATE,) * 3)
    return FilmBase(told, (0.0,) * 3, 1.0, tuple(light.tolist()), FLAT, gate)


def base_density(film: str, scanner: str) -> np.ndarray:
    stock, device, run = load_film(film), load_scanner(scanner), Process()
    return np.asarray(device.density(spectral_density(stock, run, base_dye(stock, run))))


def srgb_codes(light: np.ndarray) -> np.ndarray:
    # IEC 61966-2-1:1999, 5.2.
    curved = 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    return np.rint(255 * np.where(light <= 0.0031308, 12.92 * light, curved)).astype(np.uint8)


def through_jpeg(densities: np.ndarray, film_base: np.ndarray, seed: int) -> np.ndarray:
    """Return what patches (24, 3) measure once a file of quality 85 has held them, in grain."""
    rng = np.random.default_rng(seed)
    rows = np.repeat(np.repeat(densities.reshape(4, 6, 3), SIDE, axis=0), SIDE, axis=1)
    light = OPEN_GATE * 10.0 ** -(film_base + rows + rng.normal(0.0, GRAIN, rows.shape))
    held = io.BytesIO()
    Image.fromarray(srgb_codes(light)).save(held, "JPEG", quality=85)
    read = to_light(np.asarray(Image.open(held)), ENCODING)
    above = -np.log10(np.maximum(read, 1e-6) / OPEN_GATE) - film_base
    middle = slice(SIDE // 4, -(SIDE // 4))
    parts = above.reshape(4, SIDE, 6, SIDE, 3)[:, middle, :, middle].mean(axis=(1, 3))
    return parts.reshape(24, 3)


PAIRS = [(f, s) for f in ("film-c", "wide-d", "wide-f") for s in ("scanner-b", "judge-diodes")]


def test_what_is_told_is_what_jpeg_loses():
    off = []
    for seed, pair in enumerate(PAIRS):
        there, film_base = chart_density(*pair), base_density(*pair)
        rounding = rounding_of(scan(_JPEG), base(film_base))
        off.append((through_jpeg(there, film_base, seed) - there) / rounding.at(there))
    size = np.sqrt(np.mean(np.square(off), axis=(0, 1)))
    assert (size > 0.6).all()
    assert (size < 1.4).all()


def test_a_chart_in_jpeg_is_fitted_no_nearer_than_its_file_tells():
    """Truth: the chart's published colours under D50, by colour-science (CIEDE2000)."""
    told, blind, start = [], [], find_film("generic")
    for seed, pair in enumerate(PAIRS):
        there, film_base = chart_density(*pair), base_density(*pair)
        read = through_jpeg(there, film_base, seed + 40)
        rounding = rounding_of(scan(_JPEG), base(film_base))
        for errors, kept in ((rounding.at(read), told), (np.full((24, 3), 1e-4), blind)):
            shown = from_profile(fit_profile([SeenChart(read, errors)], start).profile)
            kept.append(delta_e(scene_light(there, shown)).mean())
    assert np.mean(told) < np.mean(blind) - 0.3


def test_plain_codes_lose_what_an_even_spread_over_one_has():
    """An even spread over 1 has a variance of 1/12; density is log10 of a linear code."""
    film_base = np.full(3, 0.3)
    lost = rounding_of(scan(LOSSLESS, 8, linear("assumed")), base(film_base)).at(np.zeros((1, 3)))
    code = 255 * OPEN_GATE * 10.0**-0.3
    assert lost[0] == pytest.approx(np.log10(1 + 12**-0.5 / code), rel=0.01)


def test_sixteen_bits_lose_next_to_nothing_and_floats_nothing():
    film_base = np.array([0.25, 0.7, 0.95])
    fine = rounding_of(scan(LOSSLESS, 16, linear("assumed")), base(film_base))
    assert fine.at(np.full((1, 3), 1.5)).max() < 0.001
    assert rounding_of(scan(LOSSLESS, 32, floating=True), base(film_base)) is None
