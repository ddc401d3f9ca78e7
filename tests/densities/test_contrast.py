"""Contrast guessed from print and pictures against slopes of the film model, and its laws."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.colour.unmask import from_profile
from pipeline.densities.contrast import estimate_contrast, neutral_slope, usual_print
from pipeline.profile.film import find_film
from tests.film_model import Process, film_names, load_film, load_scanner, scanner_names
from tests.film_model.dyes import base_dye, spectral_density
from tests.film_model.random_roll import random_frames
from tests.film_model.scene import scene_exposure

GENERIC = find_film("generic")
COLOUR = from_profile(GENERIC)
# Held out: the figures of the profile were fitted on other seeds.
SEEDS = range(40_000, 40_060)


def above_base(film, device, process, exposure):
    dye = film.develop(exposure, process)
    base = device.density(spectral_density(film, process, base_dye(film, process)))
    return device.density(spectral_density(film, process, dye)) - base


def roll_of(seed, pictures=0):
    """Return true slopes on greys, the edge print and samples of pictures of a random roll."""
    rng = np.random.default_rng([seed, 5])
    film = load_film(film_names()[seed % 6])
    device = load_scanner(scanner_names()[int(rng.integers(5))])
    contrast = float(np.exp(rng.uniform(np.log(0.5), np.log(1.3))))
    process = Process(contrast=tuple(contrast * np.exp(rng.normal(0, 0.04, 3))))
    logs = np.linspace(-0.4, 0.9, 14)
    greys = above_base(film, device, process, 10.0 ** logs[:, None] * np.ones(3))
    printed = above_base(film, device, process, 10.0 ** film.edge_print[None])[0]
    frames = [f for f in random_frames(rng, pictures, charts=0) if f.kind == "picture"]
    samples = []
    for spec in frames:
        light = scene_exposure(film, spec.scene, 1.5, spec.light) * 2.0**spec.exposure_stops
        small = cv2.resize(np.ascontiguousarray(light, np.float32), (30, 20), interpolation=3)
        samples.append(above_base(film, device, process, small.reshape(-1, 3).astype(float)))
    return np.polyfit(logs, greys, 1)[0], printed, samples


def holds(estimate, truth):
    triples = zip(estimate.low, truth, estimate.high, strict=True)
    return [low <= t <= high for low, t, high in triples]


def test_with_edge_print_nine_rolls_in_ten_lie_in_a_narrow_interval():
    inside, off = [], []
    for seed in SEEDS:
        truth, printed, _ = roll_of(seed)
        found = estimate_contrast([], tuple(printed), COLOUR, GENERIC)
        inside.append(holds(found, truth))
        off.append(np.log(np.array(found.value) / truth))
        assert found.how == "edge print"
    assert np.mean(inside) >= 0.9
    assert np.abs(np.mean(off, axis=0)).max() < 0.06
    assert np.std(off, axis=0).max() < 0.15


def test_pictures_alone_tell_little_and_say_so():
    inside, width = [], []
    for seed in SEEDS[:16]:
        truth, _, samples = roll_of(seed, 8)
        found = estimate_contrast(samples, None, COLOUR, GENERIC)
        inside.append(holds(found, truth))
        width.append(found.high[1] / found.low[1])
    assert np.mean(inside) >= 0.8
    assert min(width) > 1.8


def test_where_nothing_tells_there_is_no_guess():
    assert estimate_contrast([], None, COLOUR, GENERIC) is None
    assert estimate_contrast([np.zeros((3, 3))], None, COLOUR, GENERIC) is None


@settings(max_examples=25)
@given(st.floats(0.3, 1.5), st.floats(1.05, 2.0))
def test_denser_print_means_more_contrast(density, factor):
    one, other = (
        estimate_contrast([], (d, d, d), COLOUR, GENERIC) for d in (density, density * factor)
    )
    assert np.array(other.value) == pytest.approx(factor * np.array(one.value))
    assert holds(one, one.value) == [True] * 3


@settings(max_examples=15)
@given(st.permutations(range(6)))
def test_the_order_of_pictures_does_not_matter(order):
    rng = np.random.default_rng(2)
    pictures = [rng.uniform(0.1, 1.2, (60, 3)) for _ in order]
    one = estimate_contrast(pictures, (0.8, 0.9, 0.9), COLOUR, GENERIC)
    other = estimate_contrast([pictures[k] for k in order], (0.8, 0.9, 0.9), COLOUR, GENERIC)
    assert one == other
    assert one.how == "edge print and pictures"


def test_how_steep_the_solve_takes_all_layers_for_is_not_weighed_twice():
    _, printed, samples = roll_of(SEEDS[0], pictures=8)
    curves = COLOUR.curves
    steep = replace(COLOUR, how="roll", curves=tuple(curve.steeper(1.3) for curve in curves))
    plain, solved = (
        estimate_contrast(samples, tuple(printed), colour, GENERIC)
        for colour in (replace(COLOUR, how="roll"), steep)
    )
    assert solved.value == pytest.approx(plain.value)
    assert solved.how == plain.how


def test_slopes_on_greys_are_those_of_the_layers_put_together():
    # Greys that rise in all layers by their slopes, seen by the scanner, taken apart again.
    seen = neutral_slope(COLOUR)
    assert np.asarray(COLOUR.unmask) @ seen == pytest.approx(np.array(COLOUR.slopes()))


def test_usual_print_holds_that_of_the_models_films():
    low, high = usual_print(GENERIC)
    device, normal = load_scanner("scanner-a"), Process()
    for name in film_names():
        film = load_film(name)
        printed = above_base(film, device, normal, 10.0 ** film.edge_print[None])[0]
        assert low < printed.mean() < high
