"""What lies straight along film, told from what lies beside it."""

import numpy as np
import pytest

from pipeline.strip.film_line import curve_through


def test_points_off_the_curve_are_left_out():
    x = np.linspace(0, 1800, 400)
    y = 20.0 + 12.0 * ((x - 900) / 900) ** 2 + np.random.default_rng(3).normal(0, 0.1, 400)
    off = np.arange(400) % 5 == 0
    y[off] += 9.0
    near = curve_through(x, y, 0.7)
    assert near[~off].all()
    assert not near[off].any()


@pytest.mark.parametrize("above_px", [0.0, 12.0])
def test_what_covers_one_end_of_an_edge_draws_no_curve_to_it(above_px):
    """A finger at the end of 60 mm of film: a tenth of the edge, far off and round."""
    x = np.linspace(0, 1800, 1800)
    y = 1180.0 + above_px * ((x - 900) / 900) ** 2
    y += np.random.default_rng(3).normal(0, 0.3, 1800)
    off = x < 160
    y[off] -= 170.0 - 100.0 * np.sqrt(1.0 - (x[off] / 160) ** 2)
    near = curve_through(x, y, 1.7)
    assert near[~off].mean() > 0.95
    assert not near[off].any()
