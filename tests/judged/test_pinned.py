"""Figures of drawn rolls as they were pinned, and what a confidence is worth over them."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from pipeline.frame.frames import CLEAR
from pipeline.roll.survey import SurveyedRoll
from tests.judged.pinned import (
    PINNED,
    TABLES,
    differences,
    drawn,
    figures,
    surveyed,
    table_figures,
)
from tests.judged.pinned_cases import PinnedCase, pinned_cases, strips_by_condition
from tests.judged.strips import TOLERANCE_MM, Judged, judged_strips

THEN = json.loads(PINNED.read_text())
CASES = {case.name: case for case in pinned_cases()}
Look = Callable[[PinnedCase], tuple[SurveyedRoll, list[Path]]]


@pytest.fixture(scope="module")
def look(tmp_path_factory: pytest.TempPathFactory) -> Look:
    """Return what surveys a case, once, and gives its scans as well."""
    known: dict[str, tuple[SurveyedRoll, list[Path]]] = {}

    def of(case: PinnedCase) -> tuple[SurveyedRoll, list[Path]]:
        if case.name not in known:
            scans = list(drawn(case, tmp_path_factory.mktemp("pinned")))
            known[case.name] = surveyed(case, scans), scans
        return known[case.name]

    return of


@pytest.mark.parametrize("name", CASES)
def test_figures_are_as_pinned(name, look):
    roll, _ = look(CASES[name])
    assert differences(figures(roll), THEN[name]) == []


@pytest.mark.parametrize("name", TABLES)
def test_figures_of_single_rooms_are_as_pinned(name):
    assert differences(table_figures(name), THEN[name]) == []


def test_no_case_is_pinned_that_is_drawn_no_more():
    assert set(THEN) == {*TABLES, *CASES}


def test_a_confidence_is_worth_what_it_says(look):
    judged = Judged()
    for case in strips_by_condition():
        roll, scans = look(case)
        truth = json.loads(scans[0].with_suffix(".truth.json").read_text())
        judged += judged_strips(roll.strips, truth)
    off = np.array(judged.corner_mm) > TOLERANCE_MM
    clear = np.array(judged.confidence) >= CLEAR
    assert clear.mean() > 0.9
    assert off[clear].mean() < 0.1
    assert off[~clear].mean() > 3.0 * off[clear].mean()


def test_a_figure_that_moves_is_told():
    then = {"outline": [[1.0, 2.0]], "kind": "picture", "confidence": 0.9, "more": None}
    assert differences(then, then) == []
    near = then | {"outline": [[1.005, 2.0]], "confidence": 0.9005}
    assert differences(near, then) == []
    assert differences(then | {"outline": [[1.02, 2.0]]}, then) == [".outline.0.0: 1.0 -> 1.02"]
    assert differences(then | {"kind": "blank"}, then) == [".kind: picture -> blank"]
    assert differences(then | {"more": 1.0}, then) == [".more: None -> 1.0"]
    assert differences({}, {"code": 1}) == [".code: 1 -> None"]


def test_no_table_has_the_name_of_a_case():
    assert not TABLES.keys() & CASES.keys()
