import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.bath import Batch, Use
from pipeline.bath_trend import BathTrend, Line, fit_line, trend

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
    assert (made.rolls_done, made.maker_rolls) == (6, None)


def test_the_fall_is_that_of_least_squares_over_logarithms():
    uses = worn(0.02, 8, scatter=0.03)
    logs = [math.log(np.mean(use.edge_print)) for use in uses]
    expected = stats.linregress(range(8), logs)
    made = told(SPRING, uses)
    assert made.fall.ppf(0.5) == pytest.approx(-expected.slope, abs=0.05 * expected.stderr)
    assert made.fall.sf(0.0) == pytest.approx(
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
    assert mixed.fall.ppf(0.5) == pytest.approx(same.fall.ppf(0.5), abs=2e-3)
    assert blind.fall.ppf(0.5) > 2 * same.fall.ppf(0.5)
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
    assert (alone.points, alone.maker_rolls) == ((), 16.0)
    # By the maker's number the control limit is reached: 0.09 of a contrast of 1.3 (Z-131).
    assert alone.share_at(16)[0] == pytest.approx(1 - 0.09 / 1.3, abs=1e-3)
    assert trend(stated, worn(0.02, 2), with_maker=False) is None


def test_the_more_rolls_the_less_the_maker_counts():
    stated = replace(SPRING, life_rolls=50.0)
    falls = [told(stated, worn(0.02, count)).fall.ppf(0.5) for count in (1, 4, 8, 16)]
    assert falls == sorted(falls)
    assert falls[0] == pytest.approx(-math.log(1 - 0.069) / 50, rel=1e-6)
    assert falls[-1] == pytest.approx(-math.log(0.98), rel=0.05)


def test_a_dead_roll_is_a_fall_and_no_error():
    uses = [*worn(0.0, 5), Use("spring", "dead", edge_print=(-0.01, 0.0, 0.01))]
    made = told(SPRING, uses)
    assert made.points[-1].share < 0.2
    assert all(math.isfinite(value) for step in made.line for value in step)


def test_figures_far_from_fresh_are_no_error():
    """Between two rolls after a million others, a line back to a fresh batch means nothing."""
    far = [
        replace(use, rolls_before=1e6 + place / 100, rolls=0.01)
        for place, use in enumerate(worn(0.5, 4, scatter=0.5))
    ]
    made = told(SPRING, far)
    assert all(math.isfinite(value) for step in made.line for value in step)
    assert all(math.isfinite(point.share) for point in made.points)


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
    assert told(SPRING, uses).fall.ppf(0.5) == pytest.approx(1e-4, rel=1e-3)


def test_films_of_a_roll_each_tell_no_fall():
    """With a height for each, one roll of a film says nothing; the maker's figure stands."""
    uses = [replace(use, film=f"film {place}") for place, use in enumerate(worn(0.02))]
    assert trend(SPRING, uses) is None
    stated = told(replace(SPRING, life_rolls=16.0), uses)
    assert stated.falls == pytest.approx(told(replace(SPRING, life_rolls=16.0), []).falls)
    twice = [*uses, replace(uses[0], roll="again", rolls_before=9.0)]
    assert told(SPRING, twice).share_at(9)[0] == pytest.approx(1.0, abs=1e-6)


SHARES = (0.025, 0.05, 0.3, 0.5, 0.9, 0.975)
NOTHING_KNOWN = {"noise": 1.0, "noise_weight": 0.0}
# NIST StRD, linear regression, dataset Norris (y, x); from memory, as are the certified values
# below, which no slip in a datum would leave standing.
NORRIS = np.array([
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
    (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
    (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
    (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
    (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
    (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
])  # fmt: skip


def fitted(x, y, groups=None, **known) -> Line:
    known = NOTHING_KNOWN | known
    line = fit_line(list(x), list(y), ["a"] * len(x) if groups is None else groups, **known)
    assert line is not None
    return line


def test_nist_norris_is_reproduced():
    y, x = NORRIS.T
    line = fitted(x, y)
    assert line.heights["a"] == pytest.approx(-0.262323073774029, rel=1e-6)
    assert line.slope.ppf(0.5) == pytest.approx(1.00211681802045, rel=1e-9)
    # Certified standard deviation of the slope, 34 degrees of freedom.
    error = 0.429796848199937e-03
    for share in SHARES:
        expected = 1.00211681802045 + error * stats.t.ppf(share, 34)
        assert line.slope.ppf(share) == pytest.approx(expected, abs=error * 2e-3)


figures = st.lists(
    st.tuples(st.floats(0, 20), st.floats(-1, 1)), min_size=6, max_size=20,
    unique_by=(lambda pair: round(pair[0], 1), lambda pair: round(pair[1], 2)),
)  # fmt: skip


@given(figures)
@settings(max_examples=25, deadline=None)
def test_without_knowledge_it_is_least_squares_and_students_t(pairs: list[tuple[float, float]]):
    x, y = np.array(pairs).T
    expected = stats.linregress(x, y)
    line = fitted(x, y)
    assert line.heights["a"] == pytest.approx(expected.intercept, abs=1e-6)
    for share in SHARES:
        at = expected.slope + expected.stderr * stats.t.ppf(share, len(x) - 2)
        assert line.slope.ppf(share) == pytest.approx(at, abs=0.01 * expected.stderr)


def test_groups_with_unknown_heights_count_by_their_differences():
    """Free heights: least squares of what is left about each group's means, n - k - 1 degrees."""
    random = np.random.default_rng(3)
    groups = ["a", "b", "c"] * 4
    x = np.arange(12.0)
    y = np.array([{"a": 0.0, "b": 0.7, "c": -0.4}[name] for name in groups]) - 0.03 * x
    y += random.normal(0, 0.02, 12)
    line = fitted(x, y, groups)
    own = {name: np.array(groups) == name for name in "abc"}
    x_left, y_left = x.copy(), y.copy()
    for mine in own.values():
        x_left[mine] -= x[mine].mean()
        y_left[mine] -= y[mine].mean()
    expected = stats.linregress(x_left, y_left)
    error = expected.stderr * math.sqrt(10 / 8)
    for share in SHARES:
        at = expected.slope + error * stats.t.ppf(share, 8)
        assert line.slope.ppf(share) == pytest.approx(at, abs=0.02 * error)
    heights = [line.heights[name] for name in "abc"]
    means = [(y[mine] - expected.slope * x[mine]).mean() for mine in own.values()]
    assert heights == pytest.approx(means, abs=1e-3)


def test_a_known_slope_is_weighed_by_its_spread():
    """With known noise: mean and covariance of Bishop, Pattern Recognition, (3.50) and (3.51).

    Noise is known to 3.5 %, and so is the slope's normal spread, which shows in the second order.
    """
    x, y = np.arange(5.0), np.array([1.0, 0.99, 0.95, 0.95, 0.91])
    size, centre, spread = 0.02, -0.01, 0.004
    known = stats.t(400.0, centre, spread)
    line = fitted(x, y, noise=size, noise_weight=400.0, slope=known)
    design = np.column_stack([np.ones(5), x])
    before = np.diag([1e-12, spread**-2])
    cover = np.linalg.inv(before + design.T @ design / size**2)
    mean = cover @ (before @ [0.0, centre] + design.T @ y / size**2)
    assert line.heights["a"] == pytest.approx(mean[0], abs=5e-4)
    for share in SHARES:
        at = stats.norm.ppf(share, mean[1], math.sqrt(cover[1, 1]))
        assert line.slope.ppf(share) == pytest.approx(at, rel=0.02)


def test_with_a_known_slope_it_is_the_integral_over_all():
    """The density of slope by summing over height and noise on a plain grid, with scipy's t."""
    x = np.arange(4.0)
    y = np.array([0.0, -0.03, -0.02, -0.08])
    noise, weight, known = 0.03, 2.0, stats.t(3.0, -0.005, 0.004)
    slopes, sizes = np.linspace(-0.15, 0.12, 2701), np.geomspace(1e-3, 1.0, 400)
    left = y - slopes[:, None] * x
    scatter = np.sum((left - left.mean(axis=1, keepdims=True)) ** 2, axis=1)
    # The height's own integral leaves one figure less.
    log_density = -3 * np.log(sizes) - scatter[:, None] / (2 * sizes**2)
    log_density += stats.chi2.logpdf(weight * (noise / sizes) ** 2, weight)
    log_density -= 2 * np.log(sizes)
    density = np.exp(log_density).sum(axis=1) * known.pdf(slopes)
    below = (np.cumsum(density) - density / 2) / density.sum()
    line = fitted(x, y, noise=noise, noise_weight=weight, slope=known)
    for share in SHARES:
        at = float(np.interp(share, below, slopes))
        assert line.slope.cdf(at) == pytest.approx(share, abs=0.003)


def test_figures_that_contradict_what_is_known_prevail():
    x = np.arange(16.0)
    line = fitted(x, -0.02 * x, noise=0.027, noise_weight=1.0, slope=stats.t(3, -0.0014, 0.0004))
    assert line.slope.ppf(0.05) == pytest.approx(-0.02, rel=0.1)


def test_what_tells_no_slope_leaves_what_is_known():
    known = stats.t(3, -0.01, 0.004)
    for x, y in (([], []), ([2.0], [0.5]), ([2.0, 2.0], [0.5, 0.6])):
        groups = ["a"] * len(x)
        assert fit_line(x, y, groups, **NOTHING_KNOWN) is None
        line = fit_line(x, y, groups, **NOTHING_KNOWN, slope=known)
        assert line is not None
        assert line.slope.cdf(-0.01) == pytest.approx(0.5)
        for share in (0.05, 0.9, 0.95):
            at = stats.t.ppf(share, 3, -0.01, 0.004)
            assert line.slope.cdf(at) == pytest.approx(share, abs=0.003)


def test_figures_on_a_line_are_no_trouble():
    line = fitted([0.0, 1.0, 2.0], [1.0, 1.0, 1.0], noise_weight=1.0)
    assert line.slope.ppf(0.5) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("noise", "least"), [(0.01, 0.88), (0.027, 0.84), (0.06, 0.78)])
@pytest.mark.parametrize("films", [1, 3])
def test_intervals_hold_the_true_slope_as_often_as_they_say(noise: float, least: float, films: int):
    """90 % intervals on made batches, five rolls each, of a scatter known, less, and twice as much.

    Four standard deviations of 300 draws at 0.9 are 0.07; of a scatter twice what is known
    beforehand too few figures tell, and 0.78 is the least allowed.
    """
    random, held = np.random.default_rng(11), 0
    for _ in range(300):
        true = -0.0715 / random.uniform(6, 25)
        group = random.integers(films, size=5)
        y = random.normal(0, 0.15, films)[group] + random.normal(0, noise, 5) + true * np.arange(5)
        line = fitted(
            np.arange(5.0), y, [str(place) for place in group],
            noise=0.027, noise_weight=1.0,
        )  # fmt: skip
        held += 0.05 <= line.slope.cdf(true) <= 0.95
    assert held / 300 >= least
