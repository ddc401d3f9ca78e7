import math
from dataclasses import fields
from datetime import date, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.bath.batch import (
    FIGURES,
    Batch,
    Use,
    bath_limits,
    checked,
    columns,
    freshest,
    from_row,
    rolls_before_each,
    rolls_done,
    to_row,
)
from pipeline.problem import SettingsProblem
from pipeline.words import printable

DAYS = st.none() | st.dates()
TEXTS = st.none() | st.text(max_size=40).map(lambda text: printable(text) or None)
NAMES = st.text(min_size=1, max_size=20).map(printable).filter(bool)
DENSITIES = st.none() | st.tuples(*[st.floats(-0.5, 6.0).map(lambda value: value + 0.0)] * 3)


def numbers(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.none() | st.floats(low, high).map(lambda value: value + 0.0)


BATCHES = st.builds(
    Batch, name=NAMES, mixed=DAYS, volume_ml=numbers(10, 1e6), life_days=numbers(1, 3650),
    life_rolls=numbers(0.25, 1e5), temperature_c=numbers(5, 60), time_s=numbers(10, 7200),
    compensation_percent_per_roll=numbers(0, 50), notes=TEXTS,
)  # fmt: skip
USES = st.builds(
    Use, batch=NAMES, roll=NAMES, developed=DAYS, film=TEXTS, rolls=numbers(0.01, 1000),
    rolls_before=numbers(0, 1e6), temperature_c=numbers(5, 60), time_s=numbers(10, 7200),
    edge_print=DENSITIES, contrast=DENSITIES, base=DENSITIES, source=TEXTS,
)  # fmt: skip


@given(BATCHES | USES)
@settings(deadline=None)
def test_an_entry_reads_back_from_its_row(entry: Batch | Use):
    row = to_row(entry)
    assert tuple(row) == columns(type(entry))
    assert from_row(type(entry), row) == entry
    as_text = {name: "" if value is None else str(value) for name, value in row.items()}
    assert from_row(type(entry), as_text) == entry


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("volume_ml", "much", "'volume_ml' is 'much'"),
        ("volume_ml", 1, "give millilitres from 10 to 1000000"),
        ("volume_ml", math.nan, "give millilitres"),
        ("volume_ml", 10**400, "give millilitres"),
        ("life_rolls", True, "give a number"),
        ("life_rolls", "1_000", "give a number"),
        ("time_s", "3:75", "give a time as in 3:15, or seconds from 10 to 7200"),
        ("temperature_c", 100, "give degrees Celsius from 5 to 60"),
        ("mixed", "yesterday", "write the date as in 2025-05-03"),
        ("mixed", 20250503.5, "write the date"),
        ("notes", ["a"], "write it as text"),
        ("notes", "x" * 501, "keep to 500"),
        ("name", "  ", "'name' is missing"),
    ],
)
def test_a_value_that_makes_no_sense_is_named(name: str, value: object, told: str):
    with pytest.raises(SettingsProblem, match=told):
        checked(Batch, {"name": "spring", name: value})


@pytest.mark.parametrize("value", [(1.0, 2.0), "0.8", (0.7, None, 0.8), 0.8, (0.7, "x", 0.8)])
@pytest.mark.parametrize("figure", FIGURES)
def test_figures_are_three_numbers(figure: str, value: object):
    with pytest.raises(SettingsProblem, match=figure):
        checked(Use, {"batch": "spring", "roll": "1", figure: value})


def test_words_become_values():
    made = checked(
        Batch,
        {"name": " spring\n kit ", "mixed": "2025-05-03T08:00:00", "time_s": "3:15", "notes": ""},
    )
    assert made == Batch("spring kit", mixed=date(2025, 5, 3), time_s=195.0)
    assert checked(Batch, {"name": 7, "mixed": datetime(2025, 5, 3, 8)}).mixed == date(2025, 5, 3)


def test_rolls_before_are_counted_by_day_and_told_ones_believed():
    late, early = Use("b", "late", date(2025, 6, 2)), Use("b", "early", date(2025, 6, 1), rolls=0.5)
    assert [(use.roll, before) for use, before in rolls_before_each([late, early])] == [
        ("early", 0.0),
        ("late", 0.5),
    ]
    told = Use("b", "told", date(2025, 6, 3), rolls_before=5)
    assert rolls_before_each([late, early, told])[-1] == (told, 5)
    assert rolls_done([late, early, told]) == 6
    undated = Use("b", "undated")
    assert [use.roll for use, _ in rolls_before_each([late, undated, early])] == [
        "late", "undated", "early",
    ]  # fmt: skip
    assert rolls_done([]) == 0.0


def test_the_freshest_rolls_of_a_film_are_those_with_fewest_before_them():
    printed = (0.9, 1.0, 1.1)
    uses = [Use(batch, f"{batch}{n}", None, "Gold 7", edge_print=printed, rolls_before=n)
            for batch in ("spring", "autumn") for n in range(4)]  # fmt: skip
    others = [
        Use("spring", "unread", None, "gold 7", rolls_before=0),
        Use("spring", "other", None, "7", base=printed, rolls_before=0),
        Use("spring", "unnamed", edge_print=printed, rolls_before=0),
    ]
    found = freshest([*reversed(uses), *others], {"gold 7", "115-4"}, 3)
    assert [use.rolls_before for use in found] == [0, 0, 1]
    assert {use.batch for use in found[:2]} == {"spring", "autumn"}
    assert freshest(uses, {"115-4"}, 3) == ()


@given(st.lists(USES, max_size=6))
def test_rolls_done_never_fall_short_of_what_went_through(uses: list[Use]):
    placed = rolls_before_each(uses)
    assert sorted(map(id, uses)) == sorted(id(use) for use, _ in placed)
    assert rolls_done(uses) >= max((use.counts_for for use in uses), default=0.0)
    if all(use.rolls_before is None for use in uses):
        assert rolls_done(uses) == pytest.approx(sum(use.counts_for for use in uses))


def test_limits_follow_the_published_ones():
    """HD - LD: action 0.07, control 0.09 (publication Z-131, read second-hand), aim about 1.3."""
    limits = bath_limits()
    assert limits["limits"]["action_share"] == pytest.approx(0.07 / 1.3, abs=5e-4)
    assert limits["limits"]["spent_share"] == pytest.approx(0.09 / 1.3, abs=5e-4)
    assert limits["spread"]["roll"] == pytest.approx(0.07 / 1.3 / 2, abs=5e-4)
    assert limits["keeping"]["days"] == 6 * 7
    assert all(section["source"] for section in limits.values())
    assert {item.name for item in fields(Batch)} >= {"life_days", "life_rolls"}
