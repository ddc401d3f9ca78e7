import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from pipeline.bath import Batch, Use
from pipeline.bath_trend import BathTrend, trend

SPRING = Batch("spring")
GREYS = (0.7, 0.8, 0.9)


def worn(
    fall: float, count: int = 6, figure: str = "edge_print", scatter: float = 0.0
) -> list[Use]:
    """Return rolls whose figure falls by `fall` of itself a roll, with a scatter of its own."""
    random = np.random.default_rng(count)
    shares = [(1 - fall) ** place * math.exp(random.normal(0, scatter)) for place in range(count)]
    return [
        Use("spring", f"{place:02d}", **{figure: tuple(share * grey for grey in GREYS)})
        for place, share in enumerate(shares)
    ]


def told(batch: Batch, uses: list[Use], **words: bool) -> BathTrend:
    made = trend(batch, uses, **words)
    assert made is not None
    return made


def test_a_steady_fall_is_the_line():
    made = told(SPRING, worn(0.02))
    assert made.figure == "edge print"
    assert [point.rolls_before for point in made.points] == [0, 1, 2, 3, 4, 5]
    for place, point in enumerate(made.points):
        assert point.value == pytest.approx(0.8 * 0.98**place)
        assert point.share == pytest.approx(0.98**place, abs=1e-6)
        assert point.channel_shares == pytest.approx((0.98**place,) * 3, abs=1e-6)
    likely, low, high = made.share_at(5)
    assert likely == pytest.approx(0.98**5, abs=1e-6)
    assert low < likely < high
    assert (made.rolls_done, made.with_maker) == (6, False)


def test_the_fall_is_that_of_least_squares_over_logarithms():
    uses = worn(0.02, 8, scatter=0.03)
    logs = [math.log(np.mean(use.edge_print)) for use in uses]
    expected = stats.linregress(range(8), logs)
    made = told(SPRING, uses)
    assert made.fall.quantile(0.5) == pytest.approx(-expected.slope, abs=0.05 * expected.stderr)
    assert 1 - made.fall.below(0.0) == pytest.approx(
        stats.t.cdf(-expected.slope / expected.stderr, 6), abs=0.02
    )


def test_contrast_serves_where_more_rolls_have_it():
    uses = worn(0.02, figure="contrast")
    both = [replace(uses[0], edge_print=GREYS), *uses[1:]]
    assert told(SPRING, both).figure == "contrast"
    as_many = [replace(use, edge_print=GREYS) for use in uses]
    assert told(SPRING, as_many).figure == "edge print"
    assert told(SPRING, as_many).share_at(5)[0] == pytest.approx(1.0, abs=1e-6)


def test_another_film_is_no_fall():
    """A film with half the edge print among the others leaves the trend where it is."""
    uses = [replace(use, film="House 200") for use in worn(0.02, 9)]
    other = [
        replace(use, film="slow", edge_print=tuple(value / 2 for value in use.edge_print))
        if place in (4, 8)
        else use
        for place, use in enumerate(uses)
    ]
    same, mixed, blind = (
        told(SPRING, rolls) for rolls in (uses, other, [replace(use, film=None) for use in other])
    )
    assert mixed.fall.quantile(0.5) == pytest.approx(same.fall.quantile(0.5), abs=2e-3)
    assert blind.fall.quantile(0.5) > 2 * same.fall.quantile(0.5)
    shares = [point.share for point in mixed.points]
    assert shares == pytest.approx([0.98**place for place in range(9)], abs=0.1)
    cased = [
        replace(use, film=("House 200", "house 200")[place % 2]) for place, use in enumerate(uses)
    ]
    assert told(SPRING, cased).points[3].share == pytest.approx(0.98**3, abs=1e-6)


def test_few_rolls_tell_nothing_unless_the_maker_does():
    assert trend(SPRING, worn(0.02, 2)) is None
    assert trend(SPRING, []) is None
    at_once = [replace(use, rolls_before=2.0) for use in worn(0.02, 4)]
    assert trend(SPRING, at_once) is None
    stated = replace(SPRING, life_rolls=16.0)
    alone = told(stated, [])
    assert (alone.points, alone.with_maker) == ((), True)
    # By the maker's number the control limit is reached: 0.09 of a contrast of 1.3 (Z-131).
    assert alone.share_at(16)[0] == pytest.approx(1 - 0.09 / 1.3, abs=1e-3)
    assert trend(stated, worn(0.02, 2), with_maker=False) is None


def test_the_more_rolls_the_less_the_maker_counts():
    stated = replace(SPRING, life_rolls=50.0)
    falls = [told(stated, worn(0.02, count)).fall.quantile(0.5) for count in (1, 4, 8, 16)]
    assert falls == sorted(falls)
    assert falls[0] == pytest.approx(-math.log(1 - 0.069) / 50, rel=1e-6)
    assert falls[-1] == pytest.approx(-math.log(0.98), rel=0.05)


def test_a_dead_roll_is_a_fall_and_no_error():
    uses = [*worn(0.0, 5), Use("spring", "dead", edge_print=(-0.01, 0.0, 0.01))]
    made = told(SPRING, uses)
    assert made.points[-1].share < 0.2
    assert all(math.isfinite(value) for step in made.line for value in step)


def test_the_line_runs_from_fresh_past_now():
    made = told(SPRING, worn(0.02))
    rolls = [step[0] for step in made.line]
    assert made.line[0] == (0.0, 1.0, 1.0, 1.0)
    assert rolls == sorted(rolls)
    assert rolls[-1] > made.rolls_done
    for step, likely, low, high in made.line:
        assert (likely, low, high) == pytest.approx(made.share_at(step))


def test_a_long_log_is_no_trouble():
    uses = [replace(use, film=f"film {place % 7}") for place, use in enumerate(worn(1e-4, 3000))]
    assert told(SPRING, uses).fall.quantile(0.5) == pytest.approx(1e-4, rel=1e-3)
