import json
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.bath import Batch, Use
from pipeline.bath_roll import entries_of_roll
from pipeline.problem import ScanProblem
from pipeline.record import RollDensities, to_json
from tests.test_contact_sheet import made_roll

BATCH = {"name": "spring kit", "mixed": "2025-05-03", "rolls_before": 5, "temperature_c": 38.0}
ROLL = {"id": "sarrow-07", "film": "colour negative 200", "developed": "2025-05-24"}
DENSITIES = {
    "base": [0.21, 0.63, 0.88], "range": [1.5, 1.6, 1.7], "contrast": None,
    "edge_print": [0.7, 0.8, 0.9],
}  # fmt: skip


def written(folder: Path, batch: Any = BATCH, densities: Any = DENSITIES, **roll: Any) -> Path:
    path = folder / "roll.json"
    document = {"schema": 1, "roll": {**ROLL, **roll, "batch": batch}, "densities": densities}
    path.write_text(json.dumps(document), "utf-8")
    return path


def test_a_roll_tells_its_batch_and_what_was_measured(tmp_path: Path):
    path = written(tmp_path)
    expected = (
        Batch("spring kit", mixed=date(2025, 5, 3)),
        Use(
            "spring kit", "sarrow-07", developed=date(2025, 5, 24), film="colour negative 200",
            rolls_before=5.0, temperature_c=38.0, edge_print=(0.7, 0.8, 0.9),
            base=(0.21, 0.63, 0.88), source=str(path),
        ),
    )  # fmt: skip
    assert entries_of_roll(path) == expected
    assert entries_of_roll(tmp_path) == expected


def test_a_batch_may_tell_more_and_what_is_not_ours_is_passed_over(tmp_path: Path):
    noted = {
        **BATCH,
        "life_rolls": 16,
        "time_s": 200,
        "rolls": 0.5,
        "shelf": "left",
        "volume_ml": 600,
    }
    batch, use = entries_of_roll(written(tmp_path, noted, None))
    assert (batch.life_rolls, batch.volume_ml, batch.time_s) == (16.0, 600.0, None)
    assert (use.time_s, use.rolls, use.edge_print) == (200.0, 0.5, None)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"batch": {}}, "names no batch of chemistry"),
        ({"batch": "spring"}, "names no batch of chemistry"),
        ({"batch": {"name": " "}}, "names no batch of chemistry"),
        ({"batch": {**BATCH, "mixed": "soon"}}, "'mixed' is 'soon'; correct roll.toml"),
        ({"batch": {**BATCH, "rolls_before": "five"}}, "'rolls_before' is 'five'"),
        ({"batch": {**BATCH, "name": ["x"]}}, "'name' is"),
        ({"densities": {"edge_print": [0.7, "x", 0.9]}}, "'edge_print' is (0.7, 'x', 0.9)"),
        ({"id": None}, "'roll' is missing"),
    ],
)
def test_what_makes_no_sense_is_told_with_the_file(tmp_path: Path, changes: dict, told: str):
    path = written(tmp_path, **changes)
    with pytest.raises(ScanProblem) as raised:
        entries_of_roll(path)
    assert str(raised.value).startswith(f"{path}: ")
    assert told in str(raised.value)


def test_what_is_no_roll_record_is_told(tmp_path: Path):
    with pytest.raises(ScanProblem, match="can't be read as a roll record"):
        entries_of_roll(tmp_path)
    (tmp_path / "roll.json").write_text('{"schema": 1, "roll": [], "densities": 3}', "utf-8")
    with pytest.raises(ScanProblem, match="names no batch"):
        entries_of_roll(tmp_path)


def test_the_record_of_a_run_is_read(tmp_path: Path):
    """As `convert` writes it: dates of TOML among the notes, rounded densities."""
    batch = {"name": "spring kit", "mixed": date(2025, 5, 3), "rolls_before": 5}
    densities = RollDensities((0.2, 0.6, 0.9), None, (0.61, 0.62, 0.66), (0.7, 0.8, 0.1 + 0.7))
    record = replace(made_roll([1]), roll={"id": "7", "batch": batch}, densities=densities)
    (tmp_path / "roll.json").write_text(to_json(record), "utf-8")
    found, use = entries_of_roll(tmp_path)
    assert found == Batch("spring kit", mixed=date(2025, 5, 3))
    assert (use.rolls_before, use.contrast) == (5.0, (0.61, 0.62, 0.66))
    assert use.edge_print == (0.7, 0.8, 0.8)
