"""What lies straight along film, told from what lies beside it."""

import numpy as np

from pipeline.strip.film_line import curve_through


def test_points_off_the_curve_are_left_out():
    x = np.linspace(0, 1800, 400)
    y = 20.0 + 12.0 * ((x - 900) / 900) ** 2 + np.random.default_rng(3).normal(0, 0.1, 400)
    off = np.arange(400) % 5 == 0
    y[off] += 9.0
    near = curve_through(x, y, 0.7)
    assert near[~off].all()
    assert not near[off].any()
