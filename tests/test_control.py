import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.control import (
    BEYOND_ACTION,
    BEYOND_CONTROL,
    IN_CONTROL,
    breaches,
    control_series,
    deviation,
    signals,
    state,
    state_of,
)
from pipeline.control_limits import QUANTITIES, control_limits
from pipeline.readings import NOT_READ, ControlReading
from tests.control_cases import aim

AIM = aim()
PATCHES = ("d_min", "ld", "hd", "d_max", "yellow")


def moved(name="1", **by: float | tuple[float, float, float]) -> ControlReading:
    """Return the aim with patches moved by so much."""
    patches = {
        patch: tuple(map(float, np.array(getattr(AIM, patch)) + np.array(change)))
        for patch, change in by.items()
    }
    return replace(AIM, strip=name, **patches)


def test_a_strip_worked_through_by_hand():
    """Arithmetic of the published procedure (publication Z-131), the figures our own.

    Strip less aim; HD - LD from both; D-max - yellow in blue; spread over the channels.
    """
    strip = moved(ld=(-0.07, -0.05, 0.02), hd=(-0.15, -0.11, 0.03), d_max=0.05, yellow=-0.06)
    found = deviation(strip, AIM)
    assert found.ld == (-0.07, -0.05, 0.02)
    assert found.contrast == (-0.08, -0.06, 0.01)
    assert found.retained == 0.11
    assert found.colour_spread == 0.09
    told = [(b.quantity, b.channel, b.limit, b.state) for b in breaches(found)]
    assert told == [
        ("retained", 2, 0.10, BEYOND_ACTION),
        ("contrast", 0, 0.07, BEYOND_ACTION),
        ("ld", 0, 0.06, BEYOND_ACTION),
    ]


@pytest.mark.parametrize(
    ("quantity", "deviations"),
    # Published action and control limits, publication Z-131; a reading on a limit is not beyond.
    [
        ("d_min", (0.03, 0.04, 0.05, 0.06, -0.30)),
        ("ld", (0.06, -0.07, 0.08, -0.09, 0.0)),
        ("contrast", (-0.07, 0.08, 0.09, -0.10, 0.0)),
        ("retained", (0.10, 0.11, 0.12, 0.13, -0.30)),
    ],
)
def test_states_change_at_the_published_limits(quantity, deviations):
    limit = control_limits().of[quantity]
    states = [state_of(value, limit) for value in deviations]
    assert states == [IN_CONTROL, BEYOND_ACTION, BEYOND_ACTION, BEYOND_CONTROL, IN_CONTROL]
    assert state_of(math.nan, limit) == IN_CONTROL


def test_two_decimals_lie_on_a_limit_in_spite_of_binary_fractions():
    assert 0.81 - 0.75 > 0.06  # What a computer makes of it.
    assert state(deviation(moved(ld=0.06), AIM)) == IN_CONTROL
    assert state(deviation(moved(ld=0.0601), AIM)) == BEYOND_ACTION


def test_a_colour_spread_alone_is_beyond_control():
    found = deviation(moved(hd=(0.06, 0.0, -0.04)), AIM)
    (breach,) = breaches(found)
    assert (breach.quantity, breach.channel, breach.state) == (
        "colour_spread", None, BEYOND_CONTROL,
    )  # fmt: skip
    assert breaches(deviation(moved(hd=(0.05, 0.0, -0.04)), AIM)) == ()


CHANGE = st.tuples(*[st.integers(-40, 40).map(lambda value: value / 100)] * 3)
STRIPS = st.fixed_dictionaries({patch: CHANGE for patch in PATCHES})


@given(STRIPS, st.integers(-20, 60))
def test_deviations_do_not_change_if_strip_and_aim_shift_together(by, cents):
    """A densitometer's zero is in both: differences are free of it."""
    strip, shift = moved(**by), cents / 100

    def shifted(reading):
        return replace(
            reading,
            **{patch: tuple(v + shift for v in getattr(reading, patch)) for patch in PATCHES},
        )

    one, other = deviation(strip, AIM), deviation(shifted(strip), shifted(AIM))
    for name in (*QUANTITIES, "d_max", "yellow"):
        assert one.of(name) == pytest.approx(other.of(name), abs=1e-6, nan_ok=True)
    assert state(one) == state(other)


@given(STRIPS)
def test_a_strip_and_its_aim_changed_over_give_the_opposite(by):
    strip = moved(**by)
    one, other = deviation(strip, AIM), deviation(AIM, strip)
    for name in QUANTITIES:
        opposite = [-value for value in other.of(name)]
        assert one.of(name) == pytest.approx(opposite, abs=1e-6, nan_ok=True)
    assert one.colour_spread == pytest.approx(other.colour_spread, abs=1e-6)


@given(STRIPS)
def test_the_state_is_the_gravest_breach(by):
    found = deviation(moved(**by), AIM)
    limits = control_limits()
    worst = max(
        (
            limits.of[name].over(value) / limits.of[name].control
            for name in QUANTITIES
            for value in found.of(name)
            if math.isfinite(value)
        ),
        default=0.0,
    )
    beyond = worst > 1.0 + 1e-9 or found.colour_spread > limits.colour_spread
    assert (state(found) == BEYOND_CONTROL) == beyond


def test_what_was_not_read_is_in_no_limit():
    found = deviation(replace(moved(hd=0.5), ld=NOT_READ), AIM)
    assert all(map(math.isnan, (*found.ld, *found.contrast, found.colour_spread)))
    assert breaches(found) == ()


def test_the_first_strip_stands_for_a_missing_aim():
    series = control_series([AIM, moved("2", ld=0.1)], None)
    assert series.aim_is_first
    assert [each.reading.strip for each in series.deviations] == ["2"]
    assert series.latest().ld == (0.1, 0.1, 0.1)
    assert control_series([AIM], None) is None
    assert control_series([], None) is None
    assert control_series([], AIM).latest() is None


def series_of(*values: float):
    """Return deviations of LD red so far from the aim."""
    strips = [moved(str(k), ld=(value, 0.0, 0.0)) for k, value in enumerate(values)]
    return tuple(deviation(strip, AIM) for strip in strips)


def told(*values: float) -> list[tuple[str, int]]:
    return [(s.rule, s.strips) for s in signals(series_of(*values)) if s.quantity == "ld"]


def test_eight_on_one_side_are_a_run_and_seven_are_none():
    """Control chart rules of the NIST/SEMATECH e-Handbook, 6.3.2, from memory."""
    assert told(*[0.03] * 8) == [("run", 8)]
    assert told(*[0.03] * 7) == []
    assert told(0.03, -0.01, *[0.03] * 7) == []
    assert told(-0.01, *[-0.03] * 9, 0.0) == []


def test_six_in_a_row_rising_are_a_signal_and_five_are_none():
    """The same handbook: six points in a row steadily increasing or decreasing."""
    rising = [-0.02, -0.01, 0.0, 0.01, 0.02, 0.03]
    assert told(*rising) == [("steady", 6)]
    assert told(*rising[1:]) == []
    assert told(*reversed(rising)) == [("steady", 6)]
    assert told(-0.02, -0.01, 0.0, 0.0, 0.01, 0.02) == []


def test_what_repeats_within_the_error_of_reading_is_no_signal():
    assert told(*[0.01] * 20) == []
    assert told(0.0, 0.003, 0.006, 0.009, 0.012, 0.015) == []


def test_signals_are_plain_sentences():
    falling = (-0.03, -0.031, -0.033, -0.04, -0.045, -0.05, -0.055, -0.06)
    run, steady = (each for each in signals(series_of(*falling)) if each.quantity == "ld")
    assert str(run) == "LD red lay below the aim on the last 8 strips, by 0.04 on average"
    assert str(steady) == "LD red has fallen on each of the last 8 strips, by 0.03"
    strips = tuple(deviation(moved(d_max=0.04), AIM) for _ in range(8))
    (told_of_silver,) = signals(strips)
    assert str(told_of_silver).startswith("D-max - yellow, blue lay above the aim")


@given(st.lists(st.integers(-5, 5).map(lambda value: value / 100), max_size=30))
def test_runs_are_those_that_counting_finds(values):
    """Reference: itertools.groupby over the sides of the aim."""
    from itertools import groupby

    sides = [(value > 0) - (value < 0) for value in values]
    groups = [(side, len(list(group))) for side, group in groupby(sides)]
    runs = [strips for rule, strips in told(*values) if rule == "run"]
    if groups and groups[-1][0] and groups[-1][1] >= 8:
        mean = abs(np.mean(values[-groups[-1][1] :]))
        assert runs == ([groups[-1][1]] if mean > 0.02 else []) or mean == pytest.approx(0.02)
    else:
        assert runs == []
