"""Values checked by their fields' types, and how what is wrong is told."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.check import Closed, Flag, Text, Wrong, made, one_of, read, telling, then, within
from pipeline.kinds import Triple
from pipeline.problem import SettingsProblem

WHERE = Path("a.toml")


def even(value: int) -> int:
    if value % 2:
        raise Wrong("is odd", "give another")
    return value


@dataclass(frozen=True)
class Inner(Closed):
    size: Annotated[float, within(0.5, 2.0)]
    name: Text | None = None


@dataclass(frozen=True)
class Outer(Closed):
    share: Annotated[float, within(0.0, 1.0)] = 0.5
    count: Annotated[int, within(1)] = 1
    each: Annotated[Triple, within(0.0, 4.0, shared=True)] = (0.0, 0.0, 0.0)
    way: Annotated[str, one_of(("up", "down"))] = "up"
    loud: Flag = False
    pair: Annotated[int, within(0, 8), then(even)] = 0
    tens: Annotated[int, within(0, 90), read(lambda value: 10 * value)] = 0
    parts: tuple[Inner, ...] = ()


def told(value: object, **more: object) -> str:
    with pytest.raises(SettingsProblem) as refused:
        made(Outer, value, WHERE, **more)
    return str(refused.value)


@given(st.integers(0, 1) | st.floats(0, 1))
@settings(deadline=None)
def test_whole_numbers_are_numbers_and_become_floats(value: float):
    share = made(Outer, {"share": value}).share
    assert share == value
    assert type(share) is float


def test_good_values_are_taken():
    good = {"count": 3.0, "each": 2, "loud": True, "pair": 4, "tens": 3, "parts": [{"size": 1}]}
    assert made(Outer, good) == Outer(
        count=3, each=(2.0, 2.0, 2.0), loud=True, pair=4, tens=30, parts=(Inner(1.0),)
    )


@pytest.mark.parametrize("value", [True, "0.5", None, [0.5], -0.1, 1.1, 10**400, float("nan")])
def test_what_is_no_number_in_its_limits_is_refused(value: object):
    sentence = told({"share": value})
    assert sentence.startswith("a.toml: 'share' is ")
    assert sentence.endswith("; give a number from 0 to 1.")
    assert len(sentence) < 150


@pytest.mark.parametrize(
    ("value", "sentence"),
    [
        ({"count": 0}, "'count' is 0; give a whole number from 1 up."),
        ({"count": 1.5}, "'count' is 1.5; give a whole number from 1 up."),
        ({"each": [1, 2]}, "'each' is [1, 2]; give a number, or three numbers, from 0 to 4."),
        ({"way": ["up"]}, "'way' is ['up']; choose one of up, down."),
        ({"loud": 1}, "'loud' is 1; write true or false."),
        ({"pair": 3}, "'pair': is odd; give another."),
        ({"laud": True}, "key 'laud' is not known; write 'loud' if that is meant."),
        ({"x": 1}, "key 'x' is not known; the keys are share, count, each, way, loud, pair, tens"),
        ({"parts": [{"size": 1}, {}]}, "entry 2 of [[parts]]: 'size' is missing; add it."),
        ({"parts": [{"size": 3}]}, "entry 1 of [[parts]]: 'size' is 3; give a number from 0.5"),
        ({"parts": [3]}, "entry 1 of [[parts]] is not a table"),
    ],
)
def test_notes_are_told_by_place_and_what_is_right(value: dict[str, object], sentence: str):
    assert told(value).startswith(f"a.toml: {sentence}")


@pytest.mark.parametrize(
    ("value", "sentence"),
    [
        ({"share": 2}, "key 'share' is 2, not a number from 0 to 1"),
        ({"pair": 3}, "key 'pair' is odd"),
        ({"laud": True}, "key 'laud' is not known"),
        ({"parts": [{"size": 1, "name": " "}]}, "key 'parts[0].name' is ' ', not a text"),
        ({"parts": [{}]}, "key 'parts[0].size' is missing"),
    ],
)
def test_profiles_are_told_by_their_keys(value: dict[str, object], sentence: str):
    assert told(value, profile="odd profile") == f"a.toml: {sentence}; correct the odd profile."


def test_values_that_do_not_go_together_are_told_by_their_place():
    at = ("b", 2)
    with (
        pytest.raises(SettingsProblem, match=r"^a\.toml: entry 3 .* no; do\.$"),
        telling(WHERE, at),
    ):
        raise Wrong("no", "do")
