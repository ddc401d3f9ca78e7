"""Densities against ISO 5-2 and the colormath library's own formula; a wrong dark level."""

import math

import numpy as np
import pytest
from colormath import density as reference
from colormath.color_objects import SpectralColor
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.density import (
    DENSITY_LIMIT,
    Illumination,
    dark_error,
    measure_limits,
    to_density,
    to_light,
)

PLAIN = Illumination((0.0, 0.0, 0.0), (1.0, 1.0, 1.0))

GATE = (0.9, 0.9, 0.9)


@st.composite
def illuminations(draw):
    dark = draw(st.tuples(*[st.floats(0, 0.02)] * 3))
    gate = st.tuples(*[st.floats(0.3, 1.0)] * 3)
    return Illumination(dark, draw(st.none() | gate))


def triples(low: float, high: float):
    return hnp.arrays(np.float64, (4, 3), elements=st.floats(low, high))


@given(triples(-0.3, 4.0), illuminations())
def test_density_of_the_light_of_a_density_is_itself(density, illumination):
    # Single precision of the difference s - dark, near the dark level.
    back = to_density(to_light(density, illumination), illumination)
    assert back == pytest.approx(density, abs=2e-3)


@given(triples(0.0, 1.0), illuminations())
def test_more_light_is_never_more_density(light, illumination):
    more = to_density(light + 0.01, illumination)
    assert (more <= to_density(light, illumination)).all()


@given(triples(-1.0, 2.0), illuminations())
def test_densities_are_finite_and_limited(light, illumination):
    before = light.copy()
    density = to_density(light, illumination)
    assert density.dtype == np.float32
    assert np.isfinite(density).all()
    assert density.max() <= np.float32(DENSITY_LIMIT)
    assert (light == before).all()


@pytest.mark.parametrize(("tau", "density"), [(1.0, 0.0), (0.5, 0.30103), (0.1, 1.0), (0.01, 2.0)])
def test_transmittance_in_decades(tau, density):
    # ISO 5-2:2009: D = -log10(tau); log10 2 = 0.30103.
    assert to_density(np.full((1, 3), tau), PLAIN) == pytest.approx(density, abs=1e-5)


@pytest.mark.parametrize("tau", [0.9, 0.35, 0.02])
def test_grey_filter_has_the_density_that_colormath_gives(tau):
    # colormath (PyPI), density.ansi_density: D = -log10(sum(T w) / sum(w)), any standard.
    waves = {f"spec_{nm}nm": tau for nm in range(340, 840, 10)}
    weights = np.ones(50)
    told = reference.ansi_density(SpectralColor(**waves), weights)
    assert to_density(np.full(3, tau), PLAIN)[0] == pytest.approx(told, abs=1e-5)


def test_dark_level_and_gate_are_taken_off_per_channel():
    scanner = Illumination((0.01, 0.02, 0.03), (0.81, 0.72, 0.63))
    light = np.array([0.01 + 0.8 / 10, 0.02 + 0.7 / 100, 0.03 + 0.6])
    assert to_density(light, scanner) == pytest.approx([1.0, 2.0, 0.0], abs=1e-4)
    assert scanner.reference() == pytest.approx([0.8, 0.7, 0.6])


def test_without_a_gate_densities_are_relative_to_full_scale():
    scanner = Illumination((0.0, 0.0, 0.0), None)
    assert not scanner.absolute
    assert Illumination((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)).absolute
    assert to_density(np.full(3, 0.5), scanner) == pytest.approx(math.log10(2), abs=1e-6)


@given(st.floats(0.1, 1.6), st.booleans())
def test_error_is_what_a_wrong_dark_level_makes(density, seen):
    dark = (0.004,) * 3 if seen else (0.0,) * 3
    light = Illumination(dark, GATE)
    base = np.array([0.5, 0.3, 0.12])
    off = measure_limits("scanner")["seen_dark_error" if seen else "unseen_dark_error"] * (
        0.9 - dark[0]
    )
    # D = -log10 of the ratio of transmitted light (ISO 5-2), with all light off by so much.
    film = (base - dark) * 10.0**-density
    more = density - np.log10((base - dark + off) / (film + off))
    less = np.log10((base - dark - off) / np.maximum(film - off, 1e-9)) - density
    error = dark_error((density,) * 3, tuple(base), light)
    assert (error >= more - 1e-9).all()
    assert (error <= less + 1e-9).all()


def test_error_grows_with_density_and_where_no_dark_was_seen():
    base = (0.5, 0.3, 0.12)
    unseen, seen = Illumination((0.0,) * 3, GATE), Illumination((0.003,) * 3, GATE)
    thin, dense = (dark_error((d,) * 3, base, unseen) for d in (0.3, 1.2))
    assert (dense > thin).all()
    assert (dense > dark_error((1.2,) * 3, base, seen)).all()
    assert dense[2] > dense[0]
