"""A profile fitted to a chart on one roll, used on rolls of the same film that show none.

Worlds that no constant was set on: films and scanners of the film model that are left out, and
photographs of tests/data/photographs.npz. Charts are held against their published colours under
D50 by colour-science (ISO/CIE 11664-6).
"""

import numpy as np
import pytest

from pipeline.colour.fit import SeenChart, fit_profile
from pipeline.colour.solve import solve_roll
from pipeline.profile.film import FilmProfile, find_film
from tests.fitted.photographs import photographs
from tests.judged.motifs import Film, chart_errors, frame_density, motif_frames, seen_film

ERROR = 0.002
PAIRS = [
    ("wide-d", "judge-diodes"),
    ("wide-d", "judge-filters"),
    ("wide-e", "judge-diodes"),
    ("wide-g", "judge-diodes"),
    ("wide-g", "judge-filters"),
]


@pytest.fixture(scope="module")
def fitted() -> list[tuple[Film, FilmProfile]]:
    """Return films and the profiles fitted to one chart on each."""
    rng, start = np.random.default_rng(2), find_film("generic")
    found = []
    for film in (seen_film(*pair) for pair in PAIRS):
        read = film.above(film.patches) + rng.normal(0.0, ERROR, (24, 3))
        fit = fit_profile([SeenChart(read, np.full((24, 3), ERROR))], start)
        found.append((film, fit.profile))
    return found


@pytest.mark.parametrize("motif", ["ordinary", "forest", "night", "filter"])
def test_a_roll_of_one_motif_keeps_the_colour_of_its_film(fitted, motif):
    rng, pool = np.random.default_rng([5, *motif.encode()]), photographs(odd=True)
    off = []
    for film, profile in fitted:
        frames = [frame_density(frame, film, rng) for frame in motif_frames(motif, rng, pool)]
        difference, grey, _ = chart_errors(film, solve_roll(frames, profile))
        off.append((difference, grey))
    differences, greys = np.transpose(off)
    assert differences.mean() <= 3.0
    assert greys.mean() <= 4.0
