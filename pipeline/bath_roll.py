"""What a finished roll tells of its batch of chemistry: entries out of its roll.json."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.bath import FIGURES, Batch, Use, checked
from pipeline.problem import ScanProblem, SettingsProblem
from pipeline.record import read_document
from pipeline.words import printable

ROLL_RECORD = "roll.json"
_OF_BATCH = ("mixed", "volume_ml", "life_days", "life_rolls", "compensation_percent_per_roll")
_OF_ROLL = ("rolls", "rolls_before", "temperature_c", "time_s")


def entries_of_roll(path: Path) -> tuple[Batch, Use]:
    """Return the batch and the roll that a `roll.json`, or the folder it lies in, tells of.

    The [batch] table of roll.toml stands in it under roll.batch. A key there that is none of ours
    is passed over.

    Raises
    ------
    ScanProblem
        If it can't be read, names no batch, or holds a value that makes no sense.
    """
    path = path / ROLL_RECORD if path.is_dir() else path
    document = read_document(path)
    roll, densities = document.get("roll"), document.get("densities")
    roll = roll if isinstance(roll, Mapping) else {}
    noted = roll.get("batch")
    if not isinstance(noted, Mapping) or not str(noted.get("name") or "").strip():
        raise ScanProblem(
            path,
            "names no batch of chemistry",
            "write its name under [batch] in the roll's roll.toml and run convert again",
        )
    try:
        return _batch(noted), _use(path, roll, noted, densities)
    except SettingsProblem as problem:
        raise ScanProblem(
            path, problem.what, f"correct roll.toml and run convert again: {problem.remedy}"
        ) from problem


def _batch(noted: Mapping[str, Any]) -> Batch:
    return checked(Batch, {name: noted.get(name) for name in ("name", *_OF_BATCH)})


def _use(path: Path, roll: Mapping[str, Any], noted: Mapping[str, Any], densities: Any) -> Use:
    figures = densities if isinstance(densities, Mapping) else {}
    values = {name: noted.get(name) for name in _OF_ROLL}
    values |= {name: figures.get(name) for name in FIGURES}
    values |= {"batch": noted["name"], "roll": roll.get("id"), "film": roll.get("film")}
    values |= {"developed": roll.get("developed"), "source": printable(path)}
    return checked(Use, values)
