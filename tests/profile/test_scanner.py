"""Scanner profiles: Status M out of a scanner's densities, on films of the film model.

Independent reference: Status M by the products of ISO 5-3 (through PyPI colormath's tables) of
the film model's own spectra, whose dyes are others than those the profile was fitted to.
"""

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from colormath import density_standards as standards

from pipeline.colour.unmask import from_profile, layer_exposure
from pipeline.problem import SettingsProblem
from pipeline.profile.film import find_film
from pipeline.profile.folder import profile_names, profiles_folder
from pipeline.profile.scanner import (
    ScannerProfile,
    base_status_m,
    find_scanner,
    read_scanner,
    status_m,
    with_scanner,
)
from tests.conftest import Run
from tests.film_model import Process, film_names, load_film, load_scanner
from tests.film_model import chart as model_chart
from tests.film_model.dyes import base_dye, spectral_density
from tests.film_model.spectra import wavelengths_nm
from tests.fitted.generic import SCANNERS, chart_density, delta_e, held_out
from tests.fitted.spectra import fit_scanner

STATUS_M = np.array(
    [standards.ANSI_STATUS_M_RED, standards.ANSI_STATUS_M_GREEN, standards.ANSI_STATUS_M_BLUE]
)[:, 4:45]
PLAIN = ScannerProfile("plain", "none", ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)))


def chart_spectra(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return spectral densities of the chart's patches on a film, and of its base."""
    film, run = load_film(name), Process()
    exposure = film.layer_exposures(model_chart.reflectances()[1]) / 0.18
    patches = spectral_density(film, run, film.develop(exposure, run))
    return patches, spectral_density(film, run, base_dye(film, run))


def by_products(spectra: np.ndarray) -> np.ndarray:
    return -np.log10(10.0**-spectra @ STATUS_M.T / STATUS_M.sum(axis=1))


@pytest.mark.parametrize(("scanner", "limit"), [("scanner-a", 0.03), ("scanner-b", 0.07)])
def test_films_it_was_not_fitted_to_come_out_in_status_m(scanner, limit):
    device = load_scanner(scanner)
    profile = fit_scanner(wavelengths_nm(), device.weights, "a", "its bands").profile
    with_profile, without = [], []
    for name in film_names():
        patches, base = chart_spectra(name)
        wanted = by_products(patches) - by_products(base)
        seen = device.density(patches) - device.density(base)
        with_profile.append(status_m(seen, profile) - wanted)
        without.append(seen - wanted)
    off = np.sqrt(np.mean(np.square(with_profile)))
    assert off < limit
    assert off < 0.8 * np.sqrt(np.mean(np.square(without)))


def test_a_scanner_of_the_standard_s_own_bands_needs_no_change():
    fit = fit_scanner(wavelengths_nm(), STATUS_M, "standard", "ISO 5-3")
    assert np.array(fit.profile.matrix) == pytest.approx(np.eye(3), abs=2e-3)
    assert fit.residual == pytest.approx(np.zeros(3), abs=2e-3)


def test_known_bands_lessen_what_colours_of_unknown_film_are_off_by():
    rows = [
        (plain[1].mean(), known[1].mean())
        for film in film_names()[:3]
        for plain, known in zip(held_out(film), held_out(film, status_m=True), strict=True)
    ]
    plain, known = np.mean(rows, axis=0)
    assert known < 0.75 * plain
    assert known <= 2.6


@pytest.mark.parametrize("name", profile_names("scanner"))
def test_matrices_are_the_fit_of_the_bands_they_name(name):
    document = tomllib.loads((profiles_folder() / "scanners" / f"{name}.toml").read_text("utf-8"))
    nm = np.arange(380.0, 781.0, 5.0)
    bands = [
        sum(
            height * np.exp(-0.5 * ((nm - peak) / np.where(nm < peak, short, long)) ** 2)
            for peak, height, short, long in document["bands"][layer]
        )
        for layer in ("red", "green", "blue")
    ]
    fit = fit_scanner(nm, np.array(bands), name, "bands")
    known = find_scanner(name)
    assert np.array(known.matrix) == pytest.approx(np.array(fit.profile.matrix), abs=1e-4)
    assert np.array(known.base_matrix) == pytest.approx(np.array(fit.profile.base_matrix), abs=1e-4)


@pytest.mark.parametrize(
    ("bands", "told"),
    [
        (np.ones((2, 41)), "not three curves"),
        (np.full((3, 41), np.nan), "not three curves"),
        (-np.ones((3, 41)), "not three curves"),
        (np.zeros((3, 41)), "band is dark"),
    ],
)
def test_bands_that_make_no_sense_are_refused(bands, told):
    with pytest.raises(SettingsProblem, match=told):
        fit_scanner(wavelengths_nm(), bands, "x", "y")


def test_status_m_is_a_matrix_in_density():
    density = np.random.default_rng(1).uniform(0, 2, (4, 5, 3))
    assert status_m(density, PLAIN) == pytest.approx(density)
    broad = find_scanner("broad-band")
    one_by_one = [[np.dot(broad.matrix, pixel) for pixel in row] for row in density]
    assert status_m(density, broad) == pytest.approx(np.array(one_by_one))


def test_a_film_profile_goes_by_way_of_status_m():
    film = find_film("generic")
    assert with_scanner(film, None) is film
    through = with_scanner(film, PLAIN)
    assert through.unmask == film.unmask_status_m
    # A chain of its own has densities of its own.
    assert with_scanner(find_film("adx"), PLAIN) == find_film("adx")


def test_generic_film_with_a_scanner_profile_has_fewer_errors():
    errors = {True: [], False: []}
    for film in film_names():
        for scanner in SCANNERS:
            density = chart_density(film, scanner)
            device = load_scanner(scanner)
            known = fit_scanner(wavelengths_nm(), device.weights, "a", "bands").profile
            for profiled in (True, False):
                generic = find_film("generic")
                colour = from_profile(with_scanner(generic, known) if profiled else generic)
                layers = layer_exposure(density, colour)
                neutral = layers * (0.203 / layers[21])
                errors[profiled].append(delta_e(neutral @ np.array(colour.scene).T).mean())
    assert np.mean(errors[True]) < 0.8 * np.mean(errors[False])
    assert np.mean(errors[True]) < 4.0


def written(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, "utf-8")
    return path


GOOD = """source = "mine"
[light]
dark = [0.004, 0.003, 0.005]
flare = 0.006
[status_m]
matrix = [[1.2, 0, 0], [0.1, 0.9, 0], [0, 0, 1]]
"""


def test_a_file_is_read(tmp_path):
    profile = find_scanner(str(written(tmp_path, GOOD)))
    assert profile.name == "mine"
    assert profile.matrix[1] == (0.1, 0.9, 0.0)
    assert profile.dark_level(np.full(3, 0.5)) == pytest.approx((0.007, 0.006, 0.008))
    assert PLAIN.dark_level(np.full(3, 0.5)) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('"mine"', "3", "source"),
        ("[0.004, 0.003, 0.005]", "0.004", "light.dark"),
        ("0.006", "0.9", "light.flare"),
        ("[1.2, 0, 0], [0.1, 0.9, 0]", "[1, 1, 1], [1, 1, 1]", "status_m.matrix"),
        ("matrix =", "other =", "status_m.matrix"),
    ],
)  # fmt: skip
def test_a_slip_is_refused_with_file_and_key(tmp_path, old, new, key):
    path = written(tmp_path, GOOD.replace(old, new))
    with pytest.raises(SettingsProblem, match=rf"mine\.toml: key '{key}' .*scanner profile"):
        read_scanner(path)


@pytest.mark.parametrize("name", ["", "nothing", "../scanners/broad-band"])
def test_an_unknown_name_is_answered_with_those_there_are(name):
    with pytest.raises(SettingsProblem, match="choose one of broad-band, narrow-band"):
        find_scanner(name)


def test_a_run_tells_status_m_only_where_the_scanner_is_known(model_roll: Path, run: Run):
    plain = json.loads(run("measure", model_roll, "--json").out)
    known = json.loads(run("measure", model_roll, "--json", "--scanner-profile", "narrow-band").out)
    for was, now in zip(plain["strips"], known["strips"], strict=True):
        assert "status_m" not in was["base"]
        assert now["base"]["density"] == was["base"]["density"]
        seen = base_status_m(np.array(was["base"]["density"]), find_scanner("narrow-band"))
        assert now["base"]["status_m"] == pytest.approx(seen.tolist(), abs=1e-5)
    assert plain["colour"] != known["colour"]
    assert run("measure", model_roll, "--scanner-profile", "nothing").code == 2


@pytest.mark.parametrize(
    ("scanner", "profile"),
    [("scanner-a", "narrow-band"), ("scanner-d", "narrow-band"), ("scanner-b", "broad-band")],
)
@pytest.mark.parametrize("film", film_names())
def test_status_m_of_the_base_is_within_three_hundredths(scanner, profile, film):
    """Bands are others than the profiles', bases none that they were fitted to."""
    _, base = chart_spectra(film)
    told = base_status_m(load_scanner(scanner).density(base), find_scanner(profile))
    assert told == pytest.approx(by_products(base), abs=0.03)


def test_a_profile_without_a_matrix_for_the_base_takes_the_one_it_has():
    assert base_status_m(np.array([0.2, 0.6, 0.9]), PLAIN) == pytest.approx([0.2, 0.6, 0.9])
