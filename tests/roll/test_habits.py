"""What all scans of a roll show together: one format, on one film, and one picture a file."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pipeline.frame.gate import usual_habit
from pipeline.profile.format import frame_formats
from pipeline.roll.habits import each_alone, gates_of_roll, is_unclear
from pipeline.survey.habits import Habits
from pipeline.survey.scan import ScanSurvey
from pipeline.survey.strip import StripSurvey
from tests.survey.surveyed import frame, strip

FULL = {"135": 20.0, "135-half": 14.0}
DOUBTFUL = {"135": 16.0, "135-half": 18.0}
HALF = {"135": 8.0, "135-half": 20.0}


def found(likelihoods: dict[str, float], **changes: Any) -> StripSurvey:
    format = max(likelihoods, key=lambda name: likelihoods[name])
    habit = usual_habit(frame_formats()[format])
    return strip([frame()], format=format, likelihoods=likelihoods, habit=habit, **changes)


def test_a_strip_that_may_be_of_the_roll_s_format_is_looked_at_again():
    strips = [found(FULL), found(FULL), found(DOUBTFUL)]
    gates = gates_of_roll(strips)
    assert "135" in gates
    assert "135-half" not in gates
    assert [is_unclear(each, Habits(gates)) for each in strips] == [False, False, True]


def test_many_doubtful_strips_together_are_sure():
    # Each by itself is more likely of half frames; the clear one outweighs them.
    gates = gates_of_roll([found(DOUBTFUL), found(DOUBTFUL), found({"135": 30.0, "135-half": 1.0})])
    assert list(gates) == ["135"]


def test_strong_evidence_keeps_another_format():
    assert gates_of_roll([found(FULL), found(FULL), found(HALF)]) == {}


def single(costs: dict[str, float]) -> StripSurvey:
    likelihoods = {name: -cost for name, cost in costs.items()}
    format = min(costs, key=lambda name: costs[name])
    return strip([frame()], format=format, likelihoods=likelihoods)


def test_single_pictures_are_on_the_film_that_one_of_them_tells():
    unknown = {"135-half": 2.0, "120-6x4.5": 3.0, "120-6x6": 9.0}
    told = {"120-6x4.5": 3.0, "120-6x6": 9.0}
    strips = [single(unknown), single(unknown), single(told)]
    gates = gates_of_roll(strips)
    assert list(gates) == ["120-6x4.5"]
    assert [is_unclear(each, Habits(gates)) for each in strips] == [True, True, False]


def survey(kinds: list[str], seen: tuple[bool, bool] = (False, False)) -> ScanSurvey:
    frames = [frame(kind=kind) for kind in kinds]
    centres = tuple(float(k) for k in range(len(kinds)))
    one = replace(strip(frames), centres_px=centres, ends_seen=seen)
    return ScanSurvey(Path("a.tif"), (one,), False, ())


ONE = ["partial", "picture", "partial"]


@pytest.mark.parametrize(
    ("kinds", "seen", "kept"),
    [
        (ONE, (False, False), [1.0]),
        (ONE, (True, False), [0.0, 1.0]),
        (ONE, (True, True), [0.0, 1.0, 2.0]),
        (["partial", "picture"], (False, False), [1.0]),
        (["picture"], (False, False), [0.0]),
    ],
)
def test_parts_of_neighbours_are_left_out_where_the_film_goes_on(kinds, seen, kept):
    surveys = each_alone([survey(kinds, seen), survey(ONE)])
    (first,) = surveys[0].strips
    assert list(first.centres_px) == kept
    assert len(first.frames) == len(kept)
    # What is surveyed again, for a correction, comes out alike.
    told = surveys[0].habits is not None and surveys[0].habits.alone
    assert told == (len(kept) < len(kinds)) == bool(surveys[0].notes)


@pytest.mark.parametrize(
    "kinds", [["picture", "picture", "partial"], ["partial", "picture", "blank"]]
)
def test_nothing_is_left_out_where_a_file_shows_more_than_one(kinds):
    surveys = [survey(ONE), survey(kinds)]
    assert [a is b for a, b in zip(each_alone(surveys), surveys, strict=True)] == [True, True]


def test_nothing_is_left_out_of_a_single_file():
    surveys = [survey(ONE)]
    assert each_alone(surveys)[0] is surveys[0]


def test_of_parts_alone_the_longest_is_the_picture():
    parts = survey(["partial", "partial"])
    (one,) = parts.strips
    short = replace(one.frames[0], outline=((0.0, 0.0), (2.0, 0.0), (2.0, 5.0), (0.0, 5.0)))
    parts = replace(parts, strips=(replace(one, frames=(short, one.frames[1])),))
    kept = each_alone([parts, survey(ONE)])[0].strips[0]
    assert kept.centres_px == (1.0,)
