"""Values of a profile, read from TOML and checked."""

from pathlib import Path
from typing import Any

import numpy as np

from pipeline.problem import SettingsProblem
from pipeline.small_file import read_toml

Triple = tuple[float, float, float]
Matrix = tuple[Triple, Triple, Triple]


class ProfileReader:
    """Checked values out of a profile; errors name file, key and reason.

    Keys are dotted: 'unmask.matrix'. What is missing or makes no sense raises SettingsProblem.

    Parameters
    ----------
    path
        The TOML file.
    kind
        What it is in words: 'film profile'.
    """

    def __init__(self, path: Path, kind: str) -> None:
        self.path = path
        self.kind = kind
        try:
            self.document: dict[str, Any] = read_toml(path)
        except (OSError, ValueError) as error:
            raise SettingsProblem(
                path,
                f"can't be read as a {kind} ({error})",
                f"give a TOML file as profiles/{kind.split()[0]}s holds them",
            ) from error

    def fail(self, key: str, reason: str) -> SettingsProblem:
        """Return the problem of a key."""
        return SettingsProblem(self.path, f"key '{key}' {reason}", f"correct the {self.kind}")

    def value(self, key: str) -> Any:
        """Return what a key holds."""
        found: Any = self.document
        for part in key.split("."):
            if not isinstance(found, dict) or part not in found:
                raise self.fail(key, "is missing")
            found = found[part]
        return found

    def table(self, key: str) -> dict[str, Any]:
        """Return a table."""
        found = self.value(key)
        if not isinstance(found, dict):
            raise self.fail(key, "is not a table")
        return found

    def number(self, key: str, low: float, high: float) -> float:
        """Return a number from low to high."""
        return self.in_range(key, self.value(key), low, high)

    def in_range(self, key: str, value: Any, low: float, high: float) -> float:
        """Return a key's value as a number from low to high."""
        if (
            isinstance(value, bool)
            or not isinstance(value, (int, float))
            or not low <= value <= high
        ):
            raise self.fail(key, f"is {value!r}, not a number from {low:g} to {high:g}")
        return float(value)

    def text(self, key: str) -> str:
        """Return a text that is not blank."""
        value = self.value(key)
        if not isinstance(value, str) or not value.strip():
            raise self.fail(key, "is not a text")
        return value

    def triple(self, key: str, low: float, high: float) -> Triple:
        """Return three numbers from low to high."""
        value = self.value(key)
        if not isinstance(value, list) or len(value) != 3:
            raise self.fail(key, "is not a list of three numbers")
        red, green, blue = (self.in_range(key, item, low, high) for item in value)
        return (red, green, blue)

    def matrix(self, key: str) -> Matrix:
        """Return a 3x3 matrix that can be inverted."""
        rows = self.value(key)
        if not isinstance(rows, list) or len(rows) != 3:
            raise self.fail(key, "is not three rows")
        for row in rows:
            if not isinstance(row, list) or len(row) != 3:
                raise self.fail(key, "has a row that is not three numbers")
        checked = [[self.in_range(key, item, -10.0, 10.0) for item in row] for row in rows]
        if abs(float(np.linalg.det(np.array(checked)))) < 1e-3:
            raise self.fail(key, "can't be inverted")
        red, green, blue = ((row[0], row[1], row[2]) for row in checked)
        return (red, green, blue)

    def flag(self, key: str) -> bool:
        """Return true or false; false where it is missing."""
        value = self.document.get(key, False)
        if not isinstance(value, bool):
            raise self.fail(key, f"is {value!r}, not true or false")
        return value
