"""How films and scanners differ in unmasking: the profile's ways made again, and what they tell.

The measure is CIEDE2000 of the chart's published reflectances; films and scanners are those of the
film model, the ways are set on its used ones.
"""

import numpy as np
import pytest

from pipeline.profile.film import find_film
from tests.fitted.strays import (
    errors_left,
    fit_strays,
    generator,
    pairs_of,
    profile_fit,
    strayed,
)

GENERIC = find_film("generic")


def test_profile_s_ways_are_those_of_the_fit():
    ways = fit_strays(profile_fit(GENERIC))
    assert np.array(GENERIC.unmask_strays) == pytest.approx(ways, abs=3e-3)


def test_films_and_scanners_left_out_stray_in_the_same_ways():
    fit, ways = profile_fit(GENERIC), np.array(GENERIC.unmask_strays)
    none, both = (errors_left(fit, some, "left-out") for some in (ways[:0], ways))
    # Slopes and balance known, one matrix for all of them leaves about 8.
    assert none.mean() > 7.0
    assert both.mean() < 0.6 * none.mean()
    assert (both < none + 0.1).all()


def test_used_and_left_out_share_no_film_or_scanner():
    used, left_out = (np.array(pairs_of(split)) for split in ("used", "left-out"))
    assert not set(used.ravel()) & set(left_out.ravel())


def test_no_way_of_straying_changes_equal_densities():
    numbers = np.arange(6) / 10.0
    fit = profile_fit(GENERIC)
    assert generator(numbers).sum(axis=1) == pytest.approx(np.zeros(3), abs=1e-12)
    changed = strayed(fit, generator(numbers)).unmask
    assert changed @ np.ones(3) == pytest.approx(fit.unmask @ np.ones(3))
    assert np.abs(changed - fit.unmask).max() > 0.05
