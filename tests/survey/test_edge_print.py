"""The edge print of a roll, against a mean worked out by hand."""

import pytest

from pipeline.survey.edge_print import edge_print
from tests.survey.surveyed import frame, strip


def printed(density: float, error: tuple[float, float, float] | None, how: str = "codes"):
    return strip([frame()], print_density=(density,) * 3, print_error=error, print_from=how)


def test_edge_print_of_the_roll_weighs_strips_by_their_errors():
    told = edge_print([printed(0.8, (0.01,) * 3), printed(1.0, (0.02,) * 3), strip()])
    # Weights 4 to 1, by hand: (4 * 0.8 + 1.0) / 5; scatter 0.1 over root 2 by (n - 1).
    assert told.density == pytest.approx((0.84,) * 3)
    assert told.error == pytest.approx((0.1,) * 3)
    assert edge_print([strip()]) is None


def test_one_strip_has_its_own_error_and_one_without_is_told_as_doubtful():
    assert edge_print([printed(0.8, (0.01, 0.02, 0.03))]).error == (0.01, 0.02, 0.03)
    assert edge_print([printed(0.8, None)]).error == (0.03,) * 3


def test_it_is_said_on_what_it_was_measured():
    ways = [printed(0.8, (0.01,) * 3, how) for how in ("letters", "codes", "letters")]
    assert edge_print(ways).how == "codes and letters"
