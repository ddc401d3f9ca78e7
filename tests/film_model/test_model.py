"""The film model's film, process and scanner against sources.toml and reference libraries."""

import ast
from pathlib import Path

import numpy as np
import pytest
from colormath.color_objects import SpectralColor
from colormath.density import ansi_density
from colormath.density_standards import (
    ANSI_STATUS_M_BLUE,
    ANSI_STATUS_M_GREEN,
    ANSI_STATUS_M_RED,
)
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.film_model import Process, film_names, load_film, load_scanner, scanner_names
from tests.film_model.dyes import base_dye, mask_left, spectral_density
from tests.film_model.scanner import black_body
from tests.film_model.spectra import colour_science, illuminant, wavelengths_nm
from tests.film_model.stock import Film
from tests.sources import SOURCES

Floats = NDArray[np.float64]
STATUS_M = Path(__file__).parents[1] / "data" / "status_m_10nm.csv"
NORMAL = Process()
LOG_EXPOSURE = np.arange(-3.0, 3.2, 0.05)


def status_m_weights() -> Floats:
    """Status M products on the model's grid, 41 x 3: sources.toml [status-m]."""
    table = np.genfromtxt(STATUS_M, delimiter=",", skip_header=4)
    weights = np.zeros((len(wavelengths_nm()), 3))
    at = np.searchsorted(wavelengths_nm(), table[:, 0])
    weights[at] = table[:, 4:7]
    return weights / weights.sum(axis=0)


def status_m(density: Floats) -> Floats:
    """Status M densities [..., 3] of spectral density [..., 41]."""
    return np.asarray(-np.log10(10.0**-density @ status_m_weights()))


def grey_scale(film: Film, process: Process = NORMAL) -> Floats:
    """Status M densities of a neutral exposure scale, steps x 3."""
    exposure = np.repeat(10.0 ** LOG_EXPOSURE[:, None], 3, axis=1)
    return status_m(spectral_density(film, process, film.develop(exposure, process)))


def steepest_slope(film: Film) -> Floats:
    """Steepest slope over 0.9 log E per Status M channel."""
    scale = grey_scale(film)
    steps = round(0.9 / (LOG_EXPOSURE[1] - LOG_EXPOSURE[0]))
    return np.asarray(((scale[steps:] - scale[:-steps]) / 0.9).max(axis=0))


def base(film: Film, process: Process = NORMAL) -> Floats:
    return status_m(spectral_density(film, process, base_dye(film, process)))


def at_grey(film: Film, process: Process = NORMAL) -> Floats:
    return grey_scale(film, process)[np.argmin(np.abs(LOG_EXPOSURE))]


@pytest.mark.parametrize("name", film_names())
def test_status_m_agrees_with_colormath(name: str) -> None:
    """Source: PyPI colormath's ANSI Status M tables, which carry two decimals of a per cent."""
    film = load_film(name)
    density = spectral_density(film, NORMAL, base_dye(film, NORMAL))
    spectrum = {f"spec_{nm}nm": 0.0 for nm in range(340, 840, 10)}
    spectrum |= {
        f"spec_{int(nm)}nm": float(10.0**-d)
        for nm, d in zip(wavelengths_nm(), density, strict=True)
    }
    standards = (ANSI_STATUS_M_RED, ANSI_STATUS_M_GREEN, ANSI_STATUS_M_BLUE)
    reference = [ansi_density(SpectralColor(**spectrum), s) for s in standards]
    np.testing.assert_allclose(status_m(density), reference, atol=0.005)


@pytest.mark.parametrize("name", film_names())
def test_base_lies_where_published_films_lie(name: str) -> None:
    published, measured = SOURCES["d-min"], base(load_film(name))
    assert (measured >= published["lowest"]).all(), measured
    assert (measured <= published["highest"]).all(), measured
    assert measured[0] < measured[1] < measured[2]


@pytest.mark.parametrize("name", film_names())
def test_contrast_lies_where_published_films_lie(name: str) -> None:
    published, slope = SOURCES["slopes"], steepest_slope(load_film(name))
    assert (slope >= published["lowest"]).all(), slope
    assert (slope <= published["highest"]).all(), slope


@pytest.mark.parametrize("name", film_names())
def test_grey_card_is_as_dense_as_on_a_well_exposed_negative(name: str) -> None:
    lowest, highest = SOURCES["grey-card"]["red"]
    assert lowest <= at_grey(load_film(name))[0] <= highest


@pytest.mark.parametrize("name", film_names())
def test_unit_dyes_absorb_as_published_dyes(name: str) -> None:
    """Films differ in width and peak of their dyes by a few per cent, hence the tolerance."""
    published = SOURCES["unit-dyes"]["without_mask"]
    np.testing.assert_allclose(status_m(load_film(name).dye_spectra).T, published, atol=0.08)


@pytest.mark.parametrize("name", film_names())
def test_dye_peaks_lie_where_published_dyes_peak(name: str) -> None:
    """Within half a step of the grid of 10 nm."""
    peaks = wavelengths_nm()[load_film(name).dye_spectra.argmax(axis=1)]
    bounds = np.array([SOURCES["dye-peaks"][dye] for dye in ("cyan", "magenta", "yellow")])
    assert (peaks >= bounds[:, 0] - 5.0).all(), peaks
    assert (peaks <= bounds[:, 1] + 5.0).all(), peaks


@pytest.mark.parametrize("name", film_names())
def test_layers_differ_modestly(name: str) -> None:
    """Balance within hundredths of log E; slopes alike, as the medians of sources.toml
    [slopes] are (spread over films: common practice, no source)."""
    film = load_film(name)
    assert 0.01 <= float(np.std(film.toe_at)) <= 0.06
    slope = steepest_slope(film)
    assert float(slope.max() / slope.min()) <= 1.2


@pytest.mark.parametrize("name", film_names())
def test_mask_takes_off_most_of_the_unwanted_absorption(name: str) -> None:
    """They are used up with the dye, so it adds less blue and green: sources.toml
    [coloured-couplers]."""
    film = load_film(name)
    start, step = np.full(3, 0.3), np.diag([0.5, 0.5, 0.5])
    ground = status_m(spectral_density(film, NORMAL, start))
    masked = (
        np.array([status_m(spectral_density(film, NORMAL, start + s)) - ground for s in step]) / 0.5
    )
    bare = status_m(film.dye_spectra)
    assert masked[1, 2] < 0.6 * bare[1, 2]
    assert masked[0, 1] < 0.75 * bare[0, 1]
    assert masked[0, 0] > 0.9 * bare[0, 0]


@given(st.floats(0.0, 3.0), st.floats(0.0, 3.0))
def test_mask_left_never_grows_with_dye(first: float, second: float) -> None:
    film = load_film("film-a")
    less, more = sorted((first, second))
    left = mask_left(film, np.array([[less] * 3, [more] * 3]))
    assert (left[1] <= left[0] + 1e-12).all()
    assert (left >= 0).all()


@given(st.floats(-3.0, 3.0), st.floats(0.01, 1.0), st.sampled_from(film_names()))
def test_more_light_never_makes_less_dye(log_exposure: float, more: float, name: str) -> None:
    """The characteristic curve is monotone for a neutral (Hurter and Driffield)."""
    film = load_film(name)
    neutral = np.full(3, log_exposure)
    assert (film.curve(neutral + more) >= film.curve(neutral)).all()


def test_inter_image_effect_raises_saturation_and_leaves_equal_layers_alone() -> None:
    """A layer exposed alone develops more than beside others (direction: common practice, no
    source)."""
    film = load_film("film-b")
    alone = film.develop(np.array([3.0, 0.05, 0.05]), NORMAL)[0]
    together = film.develop(np.array([3.0, 3.0, 3.0]), NORMAL)[0]
    assert alone > together + 0.02
    curves = film.curve(np.zeros(3)) + film.fog
    np.testing.assert_allclose(film.develop(np.ones(3), NORMAL), curves, atol=0.04)


@pytest.mark.parametrize(
    ("process", "base_change", "grey_change"),
    [
        (Process(contrast=(0.8, 0.8, 0.8)), (0, 0, 0), (-1, -1, -1)),
        (Process(contrast=(1.2, 1.2, 1.2)), (0, 0, 0), (1, 1, 1)),
        (Process(speed=(-0.5, -0.5, -0.5)), (0, 0, 0), (-1, -1, -1)),
        (Process(retained_silver=0.3), (0, 0, 0), (1, 1, 1)),
        (Process(fog=(0.1, 0.0, 0.0)), (1, 0, 0), (1, 0, 0)),
        (Process(stain=0.1), (1, 1, 1), (1, 1, 1)),
    ],
)
def test_faults_change_densities_in_the_published_direction(
    process: Process, base_change: tuple[int, ...], grey_change: tuple[int, ...]
) -> None:
    """D-min and LD up, down or normal: sources.toml [fault-directions]."""
    film = load_film("film-a")
    for change, measured in (
        (base_change, base(film, process) - base(film)),
        (grey_change, at_grey(film, process) - at_grey(film)),
    ):
        moved = np.where(np.abs(measured) < 0.03, 0, np.sign(measured))
        np.testing.assert_array_equal(moved, change)


def test_dead_developer_leaves_no_image_at_all() -> None:
    film, dead = load_film("film-a"), Process(development=0.0)
    scale = grey_scale(film, dead)
    np.testing.assert_allclose(scale - scale[0], 0.0, atol=1e-12)
    print_exposure = 10.0**film.edge_print
    np.testing.assert_array_equal(film.develop(print_exposure, dead), np.zeros(3))


@pytest.mark.parametrize("name", scanner_names())
@given(density=st.floats(0.0, 4.0))
def test_a_grey_filter_has_its_density_in_every_scanner(name: str, density: float) -> None:
    """A spectrally flat filter has the same density whatever the light (ISO 5-3, by definition)."""
    seen = load_scanner(name).density(np.full(len(wavelengths_nm()), density))
    np.testing.assert_allclose(seen, density, atol=1e-9)


@pytest.mark.parametrize("film_name", film_names())
def test_every_scanner_sees_an_orange_base(film_name: str) -> None:
    film = load_film(film_name)
    for name in scanner_names():
        seen = load_scanner(name).density(spectral_density(film, NORMAL, base_dye(film, NORMAL)))
        assert seen[0] + 0.15 < seen[1] < seen[2] - 0.1, name


def test_infrared_leak_costs_density() -> None:
    """Dyes are clear in the infra-red (common practice, no source), so a leak lightens shadows."""
    film = load_film("film-a")
    heavy = spectral_density(film, NORMAL, np.full(3, 2.2))
    assert load_scanner("scanner-c").density(heavy)[0] < load_scanner("scanner-b").density(heavy)[0]
    infrared = heavy[wavelengths_nm() >= 770]
    assert float(infrared.max()) < 1.2


@pytest.mark.parametrize("kelvin", [3100.0, 5600.0])
def test_lamp_is_a_black_body(kelvin: float) -> None:
    """Source: colour-science sd_blackbody (Planck's law, CODATA constants)."""
    colour = colour_science()
    shape = colour.SpectralShape(380, 780, 10)
    reference = colour.sd_blackbody(kelvin, shape).values
    ours = black_body(kelvin)
    np.testing.assert_allclose(ours / ours[18], reference / reference[18], rtol=1e-4)


def test_illuminant_is_the_cie_table() -> None:
    """Source: CIE 15 table of D55 (relative power at 500, 560 and 600 nm), from memory."""
    daylight = illuminant("D55")
    at = np.searchsorted(wavelengths_nm(), [500, 560, 600])
    ratio = daylight[at] / daylight[at[1]]
    np.testing.assert_allclose(ratio, [1.0072, 1.0, 0.9442], atol=0.002)


def test_model_shares_no_code_with_the_product() -> None:
    """Held against each other, the two must not rest on the same lines."""
    sources = sorted((Path(__file__).parents[1] / "film_model").glob("*.py"))
    assert len(sources) > 15
    for source in sources:
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            names = (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else ([node.module or ""] if isinstance(node, ast.ImportFrom) else [])
            )
            assert not any(name.split(".")[0] == "pipeline" for name in names), source
