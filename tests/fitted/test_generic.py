"""The generic film profile: made again from the film model, and judged on films it never saw.

Independent reference: the chart's published reflectances (ISO 17321-1 set) under D50 and
CIEDE2000, by colour-science; films and scanners are the spectral film model's.
"""

import numpy as np
import pytest

from pipeline.profile.film import find_film
from tests.film_model import film_names
from tests.fitted.generic import (
    SHOULDER_SLOPE,
    Fit,
    charts,
    fit_charts,
    fit_shoulder,
    held_out,
    metered_charts,
    spreads,
    toe_log_exposures,
)

FILMS = tuple(film_names())


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fit_charts(charts(FILMS))


def test_profile_s_numbers_are_those_of_the_fit(fit):
    film = find_film("generic")
    assert np.array(film.unmask) == pytest.approx(fit.unmask, abs=2e-3)
    assert np.array(film.scene) == pytest.approx(fit.scene, abs=2e-3)
    assert film.slopes() == pytest.approx(fit.slopes, abs=2e-3)
    toes = np.log10([curve.toe_exposure for curve in film.curves])
    assert toes == pytest.approx(toe_log_exposures(charts(FILMS), fit), abs=6e-3)
    assert [curve.toe_power for curve in film.curves] == pytest.approx(
        [fit.toe_power] * 3, abs=0.01
    )
    slope, speed = spreads(metered_charts("used"), fit)
    assert film.slope_spread == pytest.approx(slope, abs=0.01)
    assert film.speed_spread_log_e == pytest.approx(speed, abs=0.02)


def test_matrix_for_status_m_is_that_of_the_fit(fit):
    profiled = fit_charts(charts(FILMS, status_m=True))
    scaled = profiled.unmask * (fit.slopes / profiled.slopes)[:, None]
    assert np.array(find_film("generic").unmask_status_m) == pytest.approx(scaled, abs=3e-3)


def test_shoulder_keeps_overexposed_greys_in_place(fit):
    assert fit_shoulder(FILMS, fit) == pytest.approx(SHOULDER_SLOPE, abs=0.03)
    bends = [curve.shoulder for curve in find_film("generic").curves]
    relative = [bend.slope / slope for bend, slope in zip(bends, fit.slopes, strict=True)]
    assert relative == pytest.approx([SHOULDER_SLOPE] * 3, abs=5e-3)


def test_films_it_never_saw_come_out_within_five():
    # Each film by a fit to the five others.
    rows = [row for film in FILMS for row in held_out(film)]
    # Exposure scale and neutral balance only; and with slopes by the neutral row besides.
    assert np.mean([flat.mean() for _, _, flat, _ in rows]) <= 5.0
    assert np.mean([solved.mean() for _, solved, _, _ in rows]) <= 4.2
    assert np.median([grey for _, _, _, grey in rows]) <= 1.0
