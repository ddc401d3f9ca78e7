import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy import stats

from pipeline.bath.batch import Batch, Use
from pipeline.bath.life import batch_findings, clock, compensation, life
from tests.bath.test_wear import SPRING, worn

MIXED = date(2025, 5, 3)
DATED = Batch("spring", mixed=MIXED)
# Z-131, read second-hand: control limit 0.09 of HD - LD, about 1.3.
SPENT = 0.09 / 1.3


def weekly(uses: list[Use]) -> list[Use]:
    """Return rolls developed a week apart, the first a week after mixing."""
    return [
        replace(use, developed=MIXED + timedelta(days=7 * (place + 1)))
        for place, use in enumerate(uses)
    ]


def made_rolls(random: np.random.Generator, fall: float, count: int, scatter: float) -> list[Use]:
    logs = random.normal(0, scatter, count) - fall * np.arange(count)
    return [
        Use("spring", str(place), edge_print=(math.exp(log),) * 3) for place, log in enumerate(logs)
    ]


def test_a_steady_fall_ends_where_the_limit_is_reached():
    told = life(DATED, weekly(worn(0.01, 12)), MIXED)
    expected = math.log(1 - SPENT) / math.log(0.99)
    assert told.rolls == pytest.approx(expected, rel=5e-3)
    assert told.rolls_low < told.rolls < told.rolls_high
    assert told.rolls_done == 12
    assert told.verdict == "spent"
    assert told.chance_spent > 0.99


def test_days_follow_from_rolls_a_day_and_the_keeping_time():
    told = life(DATED, weekly(worn(0.01, 4)), MIXED)
    # One roll a week; six weeks of keeping come first: common practice, no source.
    assert told.keeps_until == MIXED + timedelta(days=42)
    assert (told.until, told.until_high) == (told.keeps_until, told.keeps_until)
    long = replace(DATED, life_days=400.0)
    told = life(long, weekly(worn(0.01, 4)), MIXED)
    assert told.until == MIXED + timedelta(days=math.floor(28 + 7 * (told.rolls - 4)))
    assert told.until_low < told.until <= told.until_high <= told.keeps_until
    assert any("1 a week" in sentence for sentence in told.rests_on)
    assert any("the maker's figure as you noted it" in sentence for sentence in told.rests_on)


def test_an_interval_is_that_of_students_t_turned_round():
    """Without a maker's figure and with many rolls: life = limit / slope at the slope's bounds."""
    uses = made_rolls(np.random.default_rng(4), 0.01, 30, 0.027)
    fit = stats.linregress(range(30), [math.log(use.edge_print[0]) for use in uses])
    told = life(SPRING, uses, MIXED)
    limit = -math.log(1 - 0.069)
    for rolls, share in ((told.rolls_low, 0.95), (told.rolls, 0.5), (told.rolls_high, 0.05)):
        fall = -fit.slope + fit.stderr * stats.t.ppf(share, 28)
        assert rolls == pytest.approx(limit / fall, rel=0.02)


def test_where_no_end_is_in_sight_none_is_given():
    told = life(SPRING, worn(-0.01, 8), MIXED)
    assert (told.rolls, told.rolls_high) == (None, None)
    assert told.verdict == "good"
    assert told.rolls_low is None or told.rolls_low > 8
    assert (told.until, told.keeps_until) == (None, None)
    assert any("day of mixing is not noted" in sentence for sentence in told.rests_on)


@pytest.mark.parametrize("scatter", [0.015, 0.027])
@pytest.mark.parametrize("maker", [None, 16.0])
def test_life_lies_in_its_interval_as_often_as_that_says(scatter: float, maker: float | None):
    """90 % intervals on 150 made batches of seven rolls; 0.8 is four standard deviations off."""
    random, held = np.random.default_rng(8), 0
    limit, batch = -math.log(1 - 0.069), replace(SPRING, life_rolls=maker)
    for _ in range(150):
        # What a maker states lies about the truth as profiles/bath.toml supposes.
        true = limit / 16 * max(random.normal(1, 0.4), 0.01)
        told = life(batch, made_rolls(random, true, 7, scatter), MIXED)
        low, high = (
            math.inf if rolls is None else rolls for rolls in (told.rolls_low, told.rolls_high)
        )
        held += low <= limit / true <= high
    assert held / 150 >= 0.8


@pytest.mark.parametrize("count", [3, 5, 8])
def test_the_interval_holds_whatever_use_departs_from_the_maker(count: int):
    """90 % intervals on 200 batches that wear a third to five times as fast as their maker says.

    Three standard deviations of 200 draws at 0.9 are 0.06.
    """
    random, held = np.random.default_rng(count), 0
    limit, batch = -math.log(1 - 0.069), replace(SPRING, life_rolls=16.0)
    for _ in range(200):
        true = limit / 16 * math.exp(random.uniform(math.log(1 / 3), math.log(5)))
        told = life(batch, made_rolls(random, true, count, 0.027), MIXED)
        low, high = (
            math.inf if rolls is None else rolls for rolls in (told.rolls_low, told.rolls_high)
        )
        held += low <= limit / true <= high
    assert 0.84 <= held / 200 <= 0.96


def test_rolls_that_contradict_their_maker_prevail_and_it_is_said():
    batch = replace(SPRING, life_rolls=16.0)
    told = life(batch, worn(0.024, 6), MIXED)
    assert told.verdict == "spent"
    assert told.chance_spent > 0.9
    assert told.rolls_high < 16 / 2
    assert any(sentence.startswith("Rolls and maker disagree: ") for sentence in told.rests_on)
    found = batch_findings(batch, worn(0.024, 6))
    assert "mix a new batch" in found[0].advice


def test_rolls_that_seem_to_last_do_not_outvote_their_maker():
    told = life(replace(SPRING, life_rolls=8.0), worn(0.0, 12), MIXED)
    assert told.verdict == "spent"
    assert any("judged by the worse" in sentence for sentence in told.rests_on)


def test_rolls_that_agree_with_their_maker_are_not_contradicted():
    told = life(replace(SPRING, life_rolls=16.0), worn(-math.log(1 - 0.069) / 16, 6), MIXED)
    assert told.verdict == "good"
    assert not any("disagree" in sentence for sentence in told.rests_on)


def test_nothing_to_go_by_is_said():
    told = life(SPRING, worn(0.02, 2), MIXED)
    assert told.verdict == "unknown"
    assert (told.rolls, told.rolls_low, told.chance_spent, told.until) == (None,) * 4
    assert "nothing can be told" in told.rests_on[0]
    assert "3 rolls" in told.rests_on[0]


def test_the_maker_alone_is_named_as_what_it_rests_on():
    told = life(replace(DATED, life_rolls=16.0), [Use("spring", "1")], MIXED)
    assert told.rolls == pytest.approx(16.0)
    assert told.rolls_low < 16 < told.rolls_high
    assert told.verdict == "good"
    assert "the maker's 16 rolls as you noted them alone" in told.rests_on[0]
    assert told.until == told.keeps_until


def test_age_alone_makes_it_doubtful():
    batch = replace(DATED, life_rolls=16.0)
    for day, verdict in ((42, "good"), (43, "doubtful")):
        told = life(batch, [Use("spring", "1")], MIXED + timedelta(days=day))
        assert told.verdict == verdict
    assert "past its keeping time" in " ".join(told.rests_on)
    assert life(DATED, [], MIXED + timedelta(days=43)).verdict == "doubtful"


def test_what_else_differed_is_told():
    uses = [
        replace(use, temperature_c=37.0 + 0.2 * place, time_s=195.0 + 4 * place)
        for place, use in enumerate(worn(0.03))
    ]
    rests = " ".join(life(SPRING, uses, MIXED).rests_on)
    assert "Temperatures from 37 to 38 °C: part of the trend may be theirs." in rests
    assert "Times from 3:15 to 3:35" in rests
    steady = [replace(use, temperature_c=37.8, time_s=195.0) for use in uses]
    rests = " ".join(life(SPRING, steady, MIXED).rests_on)
    assert "Temperatures" not in rests
    assert "Times" not in rests


def test_compensation_is_the_users_rule_and_no_promise():
    assert compensation(SPRING, worn(0.02)).time_s is None
    assert "maker's sheet" in compensation(SPRING, worn(0.02)).sentence
    ruled = replace(SPRING, compensation_percent_per_roll=2.0)
    assert compensation(ruled, worn(0.02)).time_s is None
    assert "1.12 times" in compensation(ruled, worn(0.02)).sentence
    told = compensation(replace(ruled, time_s=195.0), worn(0.02))
    assert told.time_s == pytest.approx(195 * 1.12)
    assert "3:38 instead of 3:15" in told.sentence
    for words in ("common practice, no source", "no promise"):
        assert words in told.sentence


@pytest.mark.parametrize(("seconds", "text"), [(195, "3:15"), (59.7, "1:00"), (3605, "60:05")])
def test_times_read_as_on_a_clock(seconds: float, text: str):
    assert clock(seconds) == text


def test_a_falling_edge_print_is_found_with_its_figures():
    (found,) = batch_findings(SPRING, worn(0.02, 8))
    assert (found.code, found.severity) == ("under-developed", "warning")
    assert "edge print fell by 13 % over 7 rolls" in found.evidence
    assert "from 0.80 on roll 00 to 0.69 on roll 07" in found.evidence
    assert "new batch" in found.advice
    assert 0.9 <= found.confidence <= 0.95
    (slight,) = batch_findings(SPRING, worn(0.0085, 8))
    assert slight.severity == "note"
    assert slight.confidence < found.confidence
    warm = [replace(use, temperature_c=38.0 - place) for place, use in enumerate(worn(0.02, 8))]
    assert batch_findings(SPRING, warm)[0].confidence == 0.6


def test_no_fall_is_no_finding():
    assert batch_findings(SPRING, worn(0.001, 8)) == ()
    assert batch_findings(SPRING, worn(-0.02, 8)) == ()
    assert batch_findings(SPRING, worn(0.02, 2)) == ()


def test_the_makers_figure_is_no_evidence():
    uses = made_rolls(np.random.default_rng(2), 0.02, 9, 0.02)
    found = batch_findings(SPRING, uses)
    assert found
    for rolls in (2.0, 6.0, 100.0):
        assert batch_findings(replace(SPRING, life_rolls=rolls), uses) == found


def test_steady_batches_raise_few_alarms_and_spent_ones_are_found():
    """At most 2 % false alarms, on 300 made batches of eight rolls of the usual scatter."""
    random = np.random.default_rng(12)
    alarms = sum(
        bool(batch_findings(SPRING, made_rolls(random, 0.0, 8, 0.027))) for _ in range(300)
    )
    assert alarms <= 0.02 * 300
    found = sum(
        bool(batch_findings(SPRING, made_rolls(random, 0.025, 8, 0.027))) for _ in range(100)
    )
    assert found >= 95
