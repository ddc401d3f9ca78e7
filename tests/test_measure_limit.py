"""What the dark level does to densities, against densities worked out with a wrong one."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.density import Illumination
from pipeline.measure_limit import dark_error, measure_limits

GATE = (0.9, 0.9, 0.9)


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
