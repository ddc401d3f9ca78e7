"""Profiles fitted to charts as found in frames, and to films that a profile describes."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from pipeline.chart.chart import ChartReading, find_chart, patch_error
from pipeline.chart.match import chart_exposures
from pipeline.colour.fit import ProfileFit, SeenChart, fit_profile
from pipeline.colour.unmask import from_profile, scene_light
from pipeline.kinds import as_matrix
from pipeline.profile.film import FilmProfile, find_film
from pipeline.profile.space import find_space
from pipeline.render.look import Levels, as_print
from tests.chart.charted import frame_density
from tests.film_model import chart, film_names, scanner_names
from tests.film_model.spectra import colour_science
from tests.judged.reference import scene_lab
from tests.judged.roll import romm_lab

GENERIC = find_film("generic")
EXACT = np.full((24, 3), 0.001)
# What is aimed at over all films and scanners: mean and 95th percentile of CIEDE2000, and the
# median C*ab of the greys in the print look.
MEAN, MOST, GREY = 2.5, 6.0, 2.0


def fit_chart(densities: np.ndarray, error: np.ndarray, start: FilmProfile) -> ProfileFit:
    return fit_profile([SeenChart(densities, error)], start)


def on_film(profile: FilmProfile, stops: float = 0.0) -> np.ndarray:
    """Return densities of the chart on a film that a profile describes exactly."""
    layers = chart_exposures() * 2.0**stops @ np.linalg.inv(profile.scene).T
    parts = [c.density(layers[:, channel]) for channel, c in enumerate(profile.curves)]
    return np.stack(parts, axis=1) @ np.linalg.inv(profile.unmask).T


def stray(slopes: list[float], speeds: list[float]) -> FilmProfile:
    curves = tuple(
        replace(c, slope=c.slope * s, toe_exposure=c.toe_exposure * 10.0**e)
        for c, s, e in zip(GENERIC.curves, slopes, speeds, strict=True)
    )
    scene = np.array([[0.95, 0.05, 0.0], [0.03, 0.95, 0.02], [0.0, 0.06, 0.94]])
    return replace(GENERIC, curves=curves, scene=as_matrix(scene))


@settings(max_examples=15)
@given(
    st.lists(st.floats(0.85, 1.15), min_size=3, max_size=3),
    st.lists(st.floats(-0.15, 0.15), min_size=3, max_size=3),
    st.floats(-1.0, 1.5),
)
def test_a_film_near_the_profile_is_fitted(slopes, speeds, stops):
    film = stray(slopes, speeds)
    densities = on_film(film, stops)
    fit = fit_chart(densities, EXACT, GENERIC)
    # What is left is the pull of the profile.
    assert fit.mean_residual < 1.0
    greys = scene_light(densities[18:], from_profile(fit.profile))
    casts = np.abs(np.log10(greys / greys[:, 1:2])).max(axis=1)
    assert casts[:5].max() < 0.03
    # Black lies in the toe, where density tells less of exposure.
    assert casts[5] < 0.05
    assert np.sum(fit.profile.scene, axis=1) == pytest.approx(np.ones(3))


def test_the_profile_itself_is_left_as_it_is():
    fit = fit_chart(on_film(GENERIC), EXACT, GENERIC)
    assert fit.mean_residual < 0.2
    assert fit.profile.slopes() == pytest.approx(GENERIC.slopes(), rel=0.01)
    assert np.array(fit.profile.unmask) == pytest.approx(np.array(GENERIC.unmask), abs=0.01)
    assert fit.profile.name == GENERIC.name


def test_residuals_are_differences_as_colour_science_has_them():
    rng = np.random.default_rng(4)
    densities = on_film(GENERIC) + rng.normal(0, 0.01, (24, 3))
    fit = fit_chart(densities, EXACT, GENERIC)
    seen = scene_light(densities, from_profile(fit.profile))
    want = colour_science().delta_E(
        scene_lab(chart_exposures()), scene_lab(seen), method="CIE 2000"
    )
    # The fit evens out a fall-off of light that this leaves in.
    assert fit.residual.mean() > 0.5
    assert fit.residual[0] == pytest.approx(want, abs=0.7)
    assert fit.residual.mean() == pytest.approx(want.mean(), abs=0.1)


def test_one_spoilt_patch_hardly_moves_the_rest():
    densities = on_film(stray([1.1, 1.0, 0.95], [0.05, 0.0, -0.05]))
    spoilt, error = densities.copy(), EXACT.copy()
    spoilt[8] += 0.5
    error[8] = 0.3
    plain, fit = (fit_chart(d, s, GENERIC) for d, s in ((densities, EXACT), (spoilt, error)))
    kept = np.arange(24) != 8
    seen = [scene_lab(scene_light(densities, from_profile(f.profile))) for f in (plain, fit)]
    assert colour_science().delta_E(*seen, method="CIE 2000")[kept].mean() < 1.0


def judged(reading: ChartReading, fit: ProfileFit) -> tuple[np.ndarray, np.ndarray]:
    """Return CIEDE2000 of the patches after the best exposure, and C*ab of the printed greys."""
    light = scene_light(reading.densities, from_profile(fit.profile))
    want = chart.reference_colours()[1]

    def off(log_scale: float) -> np.ndarray:
        return colour_science().delta_E(scene_lab(light * 10.0**log_scale), want, method="CIE 2000")

    best = minimize_scalar(lambda s: off(s).mean(), bounds=(-2, 2), method="bounded").x
    shown = as_print((light * 10.0**best).astype(np.float32), find_space("romm-rgb"), Levels())
    return off(best), np.hypot(*romm_lab(shown)[18:, 1:].T)


@pytest.mark.parametrize("film", film_names())
def test_a_chart_serves_another_frame_of_the_film(film):
    """Truth: reflectances of the film model's chart under D50, by colour-science."""
    differences, greys = [], []
    for number, scanner in enumerate(scanner_names()):
        seed = 40 + 10 * film_names().index(film) + number
        first, second = np.random.default_rng(seed).normal(0.0, 0.35, 2)
        shots = [
            find_chart(frame_density(film, scanner, "chart", stops, seed=seed + at))
            for at, stops in enumerate((first, second))
        ]
        assert None not in shots
        reference, other = shots
        fit = fit_chart(reference.densities, patch_error(reference), GENERIC)
        difference, grey = judged(other, fit)
        differences.append(difference)
        greys.append(grey)
    assert np.mean(differences) <= MEAN
    assert np.percentile(differences, 95) <= MOST
    assert np.median(greys) <= GREY
