import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline import process_fault
from pipeline.control import deviation
from pipeline.fault_table import fault_table
from pipeline.process_fault import rank_causes
from pipeline.readings import ControlReading
from tests.control_cases import FAULTS, aim, faulty_strip, normal_strip

AIM = aim()


@pytest.mark.parametrize("published", FAULTS, ids=lambda fault: fault.cause)
def test_each_published_fault_at_clear_size_is_among_the_first(published):
    """Directions of publication Z-131; amounts at random, four action limits large."""
    rng = np.random.default_rng(7)
    places, codes = [], []
    for _ in range(12):
        causes = rank_causes(deviation(faulty_strip(published, 4.0, rng), AIM))
        named = [cause.fault.cause.startswith(published.cause) for cause in causes.ranked]
        places.append(named.index(True))
        codes.append(next(iter(causes.by_code())))
    assert np.mean([place < 4 for place in places]) >= 0.9
    assert codes.count(published.code) >= 11


@given(st.integers(0, 10_000), st.floats(0.5, 8.0), st.sampled_from(FAULTS))
@settings(max_examples=30)
def test_probabilities_are_those_of_all_causes_together(seed, size, published):
    strip = faulty_strip(published, size, np.random.default_rng(seed))
    causes = rank_causes(deviation(strip, AIM))
    shares = [cause.probability for cause in causes.ranked]
    assert sum(shares) + causes.other == pytest.approx(1.0)
    assert shares == sorted(shares, reverse=True)
    assert sum(causes.by_code().values()) == pytest.approx(sum(shares))
    assert all(-1.0 - 1e-9 <= cause.match <= 1.0 + 1e-9 for cause in causes.ranked)


def test_faults_that_go_the_same_way_are_as_probable():
    strip = faulty_strip(FAULTS[0], 4.0, np.random.default_rng(1))
    shares = {
        cause.fault.cause: cause.probability for cause in rank_causes(deviation(strip, AIM)).ranked
    }
    cool = shares["developer too cool, or too short a time in it"]
    assert shares["developer too dilute"] == pytest.approx(cool)


def test_a_strip_of_which_nothing_was_read_leaves_all_as_beforehand():
    empty = ControlReading("1", None, "")
    causes = rank_causes(deviation(empty, AIM))
    assert causes.other == pytest.approx(fault_table().stray.other_cause)
    shares = list(causes.by_code().values())
    assert shares == pytest.approx([shares[0]] * len(shares))


def test_one_quantity_s_likelihood_is_that_of_scipy():
    """Reference: scipy.stats.multivariate_normal, and a normal of 8 limits for slips."""
    rng = np.random.default_rng(5)
    off, observed = rng.normal(size=(4, 3)), rng.normal(size=3) * 4
    root = rng.normal(size=(4, 3, 3))
    cover = root @ root.swapaxes(1, 2) + np.eye(3)
    slip = stats.multivariate_normal(np.zeros(3), np.eye(3) * process_fault._SLIP**2).pdf(observed)
    expected = [
        np.log(
            (1 - process_fault._SLIPS) * stats.multivariate_normal(np.zeros(3), one).pdf(each)
            + process_fault._SLIPS * slip
        )
        for each, one in zip(off, cover, strict=True)
    ]
    assert process_fault._block(off, cover, observed) == pytest.approx(expected)


def test_no_fault_is_certain_of_a_strip_in_control():
    rng = np.random.default_rng(2)
    for _ in range(5):
        causes = rank_causes(deviation(normal_strip(rng), AIM))
        assert max(causes.by_code().values()) < 0.9
