"""Speed points and film speeds."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.characteristic import characteristic
from pipeline.film import find_film
from pipeline.film_speed import (
    profile_curves,
    rounded_speed,
    speed_points,
    speed_rules,
    stops_faster,
)

LOGS = np.arange(-4.0, 0.6, 0.15)


def curves(places=(-2.0, -2.1, -1.9), logs=LOGS, base=0.0):
    """Return curves whose density is 0.15 above base at some log10 exposures, slope 0.6 on."""
    x = logs[:, None] - np.array(places)
    rise = 10.0 ** (x / 0.3) * (10.0 ** (0.15 / 0.6 / 0.3) - 1.0)
    density = base + 0.6 * 0.3 * np.log10(1.0 + rise)
    return characteristic(logs, density, np.full_like(density, 0.001))


def test_speed_points_lie_a_fixed_density_above_the_base():
    # ISO 5800:1987, from memory: 0.15 above the minimum density of each layer.
    assert speed_rules()["point_density"] == 0.15
    for base in (0.0, 0.7):
        points = speed_points(curves(base=base))
        assert points.log_exposure == pytest.approx((-2.0, -2.1, -1.9), abs=0.02)
        assert points.iso is points.told is points.degrees is None


def test_the_mean_is_that_of_green_and_the_slowest():
    assert speed_points(curves()).mean == pytest.approx((-2.1 - 1.9) / 2, abs=0.02)
    assert speed_points(curves((-1.5, -2.1, -1.9))).mean == pytest.approx(-1.8, abs=0.02)
    assert speed_points(curves((-2.2, -1.7, -1.9))).mean == pytest.approx(-1.7, abs=0.02)


@pytest.mark.parametrize(
    ("iso", "degrees"), [(25, 15), (50, 18), (100, 21), (160, 23), (200, 24), (400, 27), (800, 30)]
)
def test_speed_is_root_two_over_the_mean_exposure(iso, degrees):
    # ISO 5800:1987, from memory: S = sqrt(2) / H_m, H_m in lx s. The pairs of arithmetic and
    # logarithmic speed are those printed on film boxes (ISO 100/21 degrees: common practice).
    at = math.log10(math.sqrt(2) / iso)
    points = speed_points(curves((at, at, at), LOGS + at + 2.0), lux_seconds=True)
    assert points.iso == pytest.approx(iso, rel=0.05)
    assert points.told == iso
    assert points.degrees == degrees


def test_the_series_is_a_third_of_a_stop_apart():
    series = np.array(speed_rules()["series"], float)
    assert series[1:] / series[:-1] == pytest.approx(2.0 ** (1 / 3), rel=0.06)
    assert [rounded_speed(value) for value in (97.0, 111.0, 113.0, 1e6)] == [100, 100, 125, 3200]


@settings(max_examples=15)
@given(shift=st.floats(-3, 3))
def test_a_shift_of_exposure_shifts_the_points_and_divides_the_speed(shift):
    plain, moved = (speed_points(each, True) for each in (curves(), shifted(shift)))
    assert moved.mean == pytest.approx(plain.mean + shift, abs=1e-3)
    assert moved.iso == pytest.approx(plain.iso / 10.0**shift, rel=5e-3)
    assert stops_faster(shifted(shift), curves()) == pytest.approx(-shift / math.log10(2), abs=0.01)


def shifted(shift: float):
    x = LOGS[:, None] - np.array((-2.0, -2.1, -1.9))
    rise = 10.0 ** (x / 0.3) * (10.0 ** (0.15 / 0.6 / 0.3) - 1.0)
    density = 0.6 * 0.3 * np.log10(1.0 + rise)
    return characteristic(LOGS + shift, density, np.full_like(density, 0.001))


def test_what_the_steps_do_not_show_has_no_speed():
    points = speed_points(curves(logs=np.arange(-1.0, 1.0, 0.15)), True)
    assert points.log_exposure == (None, None, None)
    assert points.mean is points.iso is points.told is None
    dense = curves(logs=np.arange(-1.0, 1.0, 0.15))
    assert stops_faster(dense, dense) is None


def test_films_are_compared_at_the_least_density_that_both_show():
    full, part = (
        characteristic(logs, above(logs), np.full((len(logs), 3), 0.001), np.zeros(3))
        for logs in (LOGS, np.arange(-1.7, 0.6, 0.15))
    )
    assert part is not None
    assert speed_points(part).mean is None
    assert stops_faster(part, full) == pytest.approx(0.0, abs=0.02)


def above(logs):
    rise = 10.0 ** ((logs[:, None] - np.array((-2.0, -2.1, -1.9))) / 0.3)
    return 0.6 * 0.3 * np.log10(1.0 + rise)


def test_a_profile_s_speed_is_near_what_meters_give():
    # A meter gives the middle tone 10 / S lx s (ISO 2720, from memory): 0.85 decades over
    # sqrt(2) / S. Film is made with some reserve, and profiles are told from middle grey.
    generic = speed_points(profile_curves(find_film("generic")))
    assert generic.mean == pytest.approx(-0.85, abs=0.35)


def test_a_film_that_needs_less_light_is_faster_by_that():
    profile = find_film("generic")
    red, green, blue = (
        replace(curve, toe_exposure=curve.toe_exposure / 2.0) for curve in profile.curves
    )
    faster = replace(profile, curves=(red, green, blue))
    both = (profile_curves(one) for one in (faster, profile))
    assert stops_faster(*both) == pytest.approx(1.0, abs=0.02)


def test_speeds_told_are_thirds_of_a_stop_apart():
    # ISO 5800: 10 log10 of the speed, plus one, is a whole number of degrees but for rounding.
    degrees = [10.0 * math.log10(speed) + 1.0 for speed in speed_rules()["series"]]
    assert [round(each) for each in degrees] == list(range(12, 37))
    assert max(abs(each - round(each)) for each in degrees) < 0.22
