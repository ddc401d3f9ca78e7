"""The greys of a chart as steps of exposure."""

import numpy as np
import pytest

from pipeline.characteristic import characteristic
from pipeline.chart import ChartReading, find_chart
from pipeline.chart_greys import grey_steps
from pipeline.chart_match import chart_layout, is_shaded
from tests import charted
from tests.charted import frame_density
from tests.film_model import Scene, chart, film_names, load_film
from tests.film_model.scene import CHART_IN_SCENE, scene_exposure
from tests.wedged import true_contrast


def read(film: str, scanner: str, scene: str | Scene, stops: float = 0.0) -> ChartReading:
    found = find_chart(frame_density(film, scanner, scene, stops))
    assert found is not None
    return found


def off(reading: ChartReading, film: str, scanner: str) -> np.ndarray:
    """Return the relative error of the contrast (3,)."""
    logs, density, error = grey_steps(reading)
    curves = characteristic(logs, density, np.maximum(error, 0.003), np.zeros(3))
    assert curves is not None
    return np.array([c.contrast for c in curves]) / true_contrast(film, scanner) - 1.0


def test_exposures_are_those_of_colour_film():
    # The film model's layers see the same published reflectances through curves of their own.
    _, reflectances = chart.reflectances()
    exposures = np.log10(load_film("film-a").layer_exposures(reflectances[18:]))
    assert chart_layout().neutral_log_exposure == pytest.approx(exposures, abs=0.012)


@pytest.mark.parametrize("stops", [-1.0, 0.0, 2.0])
@pytest.mark.parametrize("film", film_names())
def test_a_chart_has_the_film_s_slopes(film, stops):
    reading = read(film, "scanner-a", "chart", stops)
    assert not is_shaded(reading.densities)
    assert np.abs(off(reading, film, "scanner-a")).max() < 0.03


@pytest.mark.parametrize("fall_stops", [-0.5, 0.5])
def test_light_that_falls_off_along_the_greys_is_taken_out(fall_stops, monkeypatch):
    def uneven(*told: object) -> np.ndarray:
        exposure = scene_exposure(*told)
        x = np.linspace(-0.5, 0.5, exposure.shape[1], dtype=np.float32)
        return exposure * np.exp2(fall_stops * x)[None, :, None]

    monkeypatch.setattr(charted, "scene_exposure", uneven)
    reading = read("film-c", "scanner-b", "chart")
    assert np.abs(off(reading, "film-c", "scanner-b")).max() < 0.03


def test_the_edge_of_a_shadow_is_seen():
    seen = []
    for seed in range(60):
        placing = chart.placed(seed, charted.ASPECT)
        if not placing.shadow_stops and len(seen) > 8:
            continue
        found = find_chart(
            frame_density("film-a", "scanner-a", Scene(CHART_IN_SCENE, seed=seed), seed=seed)
        )
        if found is not None and found.confidence >= 0.95:
            seen.append((placing.shadow_stops > 0, is_shaded(found.densities)))
    assert sum(shaded for shaded, _ in seen) >= 8
    assert all(shaded == told for shaded, told in seen)


def test_errors_are_smaller_on_larger_charts():
    reading = read("film-a", "scanner-a", "chart")
    _, _, error = grey_steps(reading)
    half = ChartReading(reading.densities, reading.corners / 2, reading.spread, 1.0)
    assert grey_steps(half)[2] == pytest.approx(2.0 * error, rel=1e-6)
