"""Status M of spectra against PyPI colormath, which carries the same products (ISO 5-3)."""

import numpy as np
import pytest
from colormath import density as reference
from colormath import density_standards as standards
from colormath.color_objects import SpectralColor
from hypothesis import given
from hypothesis import strategies as st

from tests.fitted.spectra import band_density, base_spectra, film_spectra, status_m_of_spectra
from tests.sources import SOURCES

# colormath's spectra: 340 to 830 nm in steps of 10 nm.
NM = np.arange(340.0, 831.0, 10.0)
STATUS_M = (
    standards.ANSI_STATUS_M_RED,
    standards.ANSI_STATUS_M_GREEN,
    standards.ANSI_STATUS_M_BLUE,
)
# colormath prints the products with two decimals of a per cent.
ROUNDING = 0.005


def by_colormath(density: np.ndarray) -> list[float]:
    light = SpectralColor(**{f"spec_{nm:.0f}nm": 10**-d for nm, d in zip(NM, density, strict=True)})
    return [reference.ansi_density(light, standard) for standard in STATUS_M]


@given(
    st.lists(st.floats(0.0, 2.0), min_size=6, max_size=6),
)
def test_smooth_spectra_have_the_density_that_colormath_gives(knots):
    density = np.interp(NM, np.linspace(400, 750, 6), knots)
    assert status_m_of_spectra(NM, density) == pytest.approx(by_colormath(density), abs=ROUNDING)


def test_film_like_spectra_have_the_density_that_colormath_gives():
    samples, base = film_spectra(NM)
    for density in (base, *samples[::7]):
        found = status_m_of_spectra(NM, density)
        assert found == pytest.approx(by_colormath(density), abs=ROUNDING)


@given(st.floats(0.0, 3.5))
def test_a_grey_filter_has_its_own_density(density):
    grey = np.full((2, len(NM)), density)
    assert status_m_of_spectra(NM, grey) == pytest.approx(np.full((2, 3), density), abs=1e-9)
    assert band_density(grey, np.ones((1, len(NM)))) == pytest.approx(density, abs=1e-9)


def test_unit_dyes_have_about_the_published_densities():
    published = np.array(SOURCES["unit-dyes"]["mask_subtracted"])
    samples, base = film_spectra(NM)
    amounts = (0.0, 0.3, 0.7, 1.1)
    own = status_m_of_spectra(NM, base)
    # Samples count up in yellow first; the smallest amount of one dye alone, scaled to one.
    singles = [samples[place * len(amounts) ** power] for place, power in ((1, 2), (1, 1), (1, 0))]
    found = (status_m_of_spectra(NM, np.array(singles)) - own).T / amounts[1]
    assert found == pytest.approx(published, abs=0.08)
    assert (own > np.subtract(SOURCES["d-min"]["lowest"], [0.01, 0.0, 0.0])).all()
    assert (own < SOURCES["d-min"]["highest"]).all()


def test_bases_span_the_published_range_of_d_min_but_for_the_densest_green():
    """They reach 0.739 (profiles/dyes.toml); 0.75 is that of sources.toml [d-min]."""
    seen = status_m_of_spectra(NM, base_spectra(NM))
    low, high = seen.min(axis=0), seen.max(axis=0)
    assert (low < SOURCES["d-min"]["lowest"]).all()
    assert (high > np.subtract(SOURCES["d-min"]["highest"], [0.0, 0.02, 0.0])).all()
