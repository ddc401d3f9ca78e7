"""Right first findings on rolls that no setting was chosen on, whole scans and equations."""

from functools import cache

import numpy as np
import pytest

from tests.judged.diagnosis import (
    Told,
    beside,
    judged_case,
    judged_equations,
    table,
    without,
)
from tests.judged.fault_bank import FaultyRoll, faulty_rolls
from tests.judged.fault_shown import deviations_off, shows

# On worlds that no constant was set on.
SEED, COUNT = 2024, 140


@cache
def drawn_rolls() -> list[FaultyRoll]:
    return faulty_rolls(COUNT, SEED, "left-out")


def right(told) -> float:
    return sum(one.told == one.code for one in told) / len(told)


def alarms(told) -> int:
    return sum(one.told != "normal" for one in told if one.code == "normal")


@pytest.mark.parametrize("view", ["pictures alone", "rebate in view"])
def test_alone_a_sound_roll_is_left_alone_and_what_is_told_is_mostly_right(view):
    """Of a film that nobody knows many faults can't be told; those that are told are there.

    Where a finding says that it is one of several, it is right if it is one of them.
    """
    told = judged_equations(drawn_rolls(), view)
    faults = [one for one in told if one.told != "normal"]
    assert len(faults) >= 0.15 * len(told)
    assert sum(one.told == one.code or one.claimed for one in faults) >= 0.85 * len(faults)
    assert alarms(told) <= 1


def test_a_good_roll_of_the_film_makes_first_findings_right():
    told = judged_equations(drawn_rolls(), "rebate in view, an aim")
    assert right(told) >= 0.93
    assert alarms(told) <= 1


def test_an_aim_of_another_film_is_not_used_or_does_no_harm():
    told = judged_equations(drawn_rolls(), "rebate in view, an aim of another film")
    harmed = [one for one in told if one.aimed and one.told not in ("normal", one.code)]
    assert len(harmed) <= 0.05 * len(told)
    own = judged_equations(drawn_rolls(), "rebate in view, an aim")
    assert sum(one.aimed for one in own) >= 0.98 * len(own)


@pytest.mark.parametrize(
    ("case", "film", "scanner", "rebate"),
    [
        ("normal", "film-b", "scanner-a", True),
        ("under-developed 0.5", "film-e", "scanner-b", True),
        ("silver retained", "film-d", "scanner-c", True),
        ("dead developer", "film-c", "scanner-a", True),
        ("unexposed", "film-f", "scanner-b", True),
        ("under-exposed 3 stops", "film-a", "scanner-a", False),
    ],
)
def test_whole_scans(case, film, scanner, rebate):
    told = judged_case(case, film, scanner, 900, rebate, 160.0, False)
    assert told.told == told.code


def test_table_counts_rows_by_what_was_told():
    text = table([
        Told("a", "normal", "normal", 0.9, ""), Told("a", "normal", "high-base", 0.6, ""),
        Told("b", "high-base", "high-base", 0.6, ""),
    ])  # fmt: skip
    assert "right first finding 0.667 of 3 rolls" in text
    assert "false alarms 0.500 of 2 normal rolls" in text
    assert "right where a fault is told 0.500 of 2 rolls" in text


def test_table_tells_faults_that_show_from_those_that_do_not():
    text = table([
        Told("a", "high-base", "high-base", 0.9, "", shows=True),
        Told("a", "high-base", "normal", 0.6, "", shows=True),
        Told("a", "high-base", "normal", 0.6, "", shows=False),
        Told("b", "under-exposed", "under-exposed", 0.6, "", shows=False),
    ])  # fmt: skip
    assert "right where a process fault shows 0.500 of 2" in text
    assert "right where a process fault doesn't show 0.000 of 1" in text


def test_being_off_counts_as_so_rare_among_normal_figures():
    """Reference: of normal figures 4.55 % lie beyond two deviations."""
    rng = np.random.default_rng(4)
    mixed = rng.normal(size=(4000, 3)) @ np.array(
        [[1.0, 0.8, 0.5], [0.0, 0.6, 0.5], [0.0, 0.0, 0.7]]
    )
    off = np.array([deviations_off(patch, mixed) for patch in mixed[:2000]])
    assert np.mean(off > 2.0) == pytest.approx(0.0455, abs=0.012)
    assert off.min() >= 0.0


def test_a_fault_shows_by_the_film_models_truth_and_a_sound_roll_seldom_does():
    rolls = drawn_rolls()
    sound = [shows(roll.signs) for roll in rolls if roll.family == "normal"]
    fogged = [
        shows(roll.signs)
        for roll in rolls
        if roll.family in ("fog", "stain") and min(roll.degree) > 0.3
    ]
    # Three patches, each beyond two deviations of sound ones in one roll of twenty.
    assert np.mean(sound) <= 0.25
    assert all(fogged)
    hidden = without(rolls[0].signs, ("base", "edge_print", "densest"))
    assert not shows(hidden)


def test_tables_stand_beside_each_other_under_their_names():
    assert beside({"used": "a\nbb", "left-out": "c"}).splitlines() == [
        "used    left-out", "a       c", "bb",
    ]  # fmt: skip
