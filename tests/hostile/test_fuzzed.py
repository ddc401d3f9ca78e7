"""Mutated files through the command, a few; `tests.hostile.fuzz` does hundreds."""

import random
from pathlib import Path

import pytest

from tests.hostile.files import Originals, mutated
from tests.hostile.fuzzed import fuzz, fuzz_one
from tests.hostile.tables import AIM_CSV, LOG_CSV, READINGS_CSV

COUNT = 60
MOST_MB = 400.0


@pytest.fixture(scope="module")
def originals(tmp_path_factory: pytest.TempPathFactory) -> Originals:
    return Originals(tmp_path_factory.mktemp("originals"))


def test_no_bad_input_makes_it_stumble(originals: Originals, tmp_path: Path):
    total = fuzz(originals, tmp_path / "one", range(1000, 1000 + COUNT))
    assert total.faults == []
    assert total.count == COUNT
    # Nearly all are refused, some are still readable, and some never were.
    assert {0, 2, 3} <= set(total.codes)
    assert total.taken_mb < MOST_MB


def test_the_same_seed_is_the_same_input(originals: Originals):
    assert mutated(originals, random.Random(3)) == mutated(originals, random.Random(3))


def test_inputs_are_of_all_kinds_and_differ_from_good_ones(originals: Originals):
    good = {*originals.tiffs, originals.png, originals.jpeg, *originals.others.values()}
    made = [mutated(originals, random.Random(seed)) for seed in range(200)]
    names = {name for each in made for name in each}
    pictures = {"bad.tif", "bad.png", "bad.jpg", *originals.others}
    tables = {"readings.csv", "aim.csv", "log.csv", "roll.json", "bath.sqlite"}
    assert names == pictures | tables | {"roll.toml", "film.toml", "scanner.toml"}
    same = [each for each in made if set(each.values()) <= good]
    assert len(same) <= 4


def test_good_files_are_good(originals: Originals, tmp_path: Path, monkeypatch):
    # Else all would be refused for a reason of their own, and the mutations tried nothing.
    for data, name in (
        *((tiff, "good.tif") for tiff in originals.tiffs),
        (originals.png, "good.png"),
        (originals.jpeg, "good.jpg"),
        *((data, name) for name, data in originals.others.items()),
        (READINGS_CSV.encode(), "readings.csv"),
        (AIM_CSV.encode(), "aim.csv"),
        (LOG_CSV.encode(), "log.csv"),
        (originals.record.encode(), "roll.json"),
        (originals.log, "bath.sqlite"),
    ):
        monkeypatch.setattr("tests.hostile.fuzzed.mutated", lambda *_: {name: data})  # noqa: B023
        answer = fuzz_one(originals, tmp_path / "one", 1)[1]
        assert (answer.code, answer.fault) == (0, None), (name, answer.err)


@pytest.mark.parametrize("seed", [18])
def test_what_once_made_it_stumble_does_no_more(originals: Originals, tmp_path: Path, seed: int):
    """18: film so damaged that its straightened edges crossed."""
    assert fuzz_one(originals, tmp_path / "one", seed)[1].fault is None
