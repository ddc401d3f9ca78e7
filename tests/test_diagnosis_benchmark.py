"""Right first findings on rolls that no setting was chosen on, whole scans and equations."""

from functools import cache

import pytest

from tests.diagnosis_benchmark import Told, judged_case, judged_equations, table
from tests.fault_bank import FaultyRoll, faulty_rolls


@cache
def drawn_rolls() -> list[FaultyRoll]:
    return faulty_rolls(240, 2024)


def right(told) -> float:
    return sum(one.told == one.code for one in told) / len(told)


@pytest.mark.parametrize(("rebate", "least"), [(True, 0.9), (False, 0.87)])
def test_first_findings_on_drawn_films_and_scanners(rebate, least):
    told = judged_equations(drawn_rolls(), rebate)
    assert right(told) >= least
    normal = [one for one in told if one.code == "normal"]
    assert sum(one.told != "normal" for one in normal) <= max(1, 0.04 * len(normal))


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
