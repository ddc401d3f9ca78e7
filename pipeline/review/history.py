"""What was changed of a roll's notes, step by step, on the disk: to be undone and done again."""

import json
import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.whole_file import output_problem

HISTORY_NAME = ".evenroll-steps.jsonl"
# Texts of 64 kB, some hundred thousand steps of usual ones.
_MOST_BYTES = 1 << 30
_MARK = {"evenroll": "steps"}


@dataclass(frozen=True)
class Step:
    """One state of roll.toml, and in words what led to it; None where there was no file."""

    text: str | None
    what: str


class History:
    """The states of a roll's notes in their order, and which of them holds now.

    Each step is a line that is added to a file in the output folder; what was undone stays there
    as long as nothing else is done. A line cut short by a loss of power is passed over.
    """

    def __init__(self, folder: Path, text: str | None) -> None:
        """Take up the history in a folder; what roll.toml holds now is a step of its own.

        Raises OutputProblem if the folder can't be written.
        """
        self._path = folder / HISTORY_NAME
        self._steps: list[Step] = []
        self._at = -1
        with suppress(OSError, UnicodeDecodeError):
            if self._path.stat().st_size <= _MOST_BYTES:
                for line in self._path.read_text("utf-8").splitlines():
                    self._take_up(line)
        if self.now is None or self.now.text != text:
            self.add(text, "as it was" if not self._steps else "changed outside of this page")

    @property
    def now(self) -> Step | None:
        """Return the state that holds now."""
        return self._steps[self._at] if self._steps else None

    @property
    def to_undo(self) -> str | None:
        """Return in words what would be undone, None at the beginning."""
        return self._steps[self._at].what if self._at > 0 else None

    @property
    def to_redo(self) -> str | None:
        """Return in words what would be done again, None where nothing was undone."""
        ahead = self._at + 1 < len(self._steps)
        return self._steps[self._at + 1].what if ahead else None

    @property
    def before(self) -> Step:
        """Return the state that undoing leads to."""
        return self._steps[self._at - 1]

    @property
    def after(self) -> Step:
        """Return the state that doing again leads to."""
        return self._steps[self._at + 1]

    def add(self, text: str | None, what: str) -> None:
        """Add a step after the one that holds now; what was undone is forgotten."""
        del self._steps[self._at + 1 :]
        self._steps.append(Step(text, what))
        self._at = len(self._steps) - 1
        self._write({"at": self._at, "text": text, "what": what})

    def move(self, by: int) -> None:
        """Let the step before (-1) or after (1) hold."""
        self._at = min(max(0, self._at + by), len(self._steps) - 1)
        self._write({"at": self._at})

    def _take_up(self, line: str) -> None:
        try:
            told = json.loads(line)
            at = int(told["at"])
            step = Step(told["text"], str(told["what"])) if "what" in told else None
        except (ValueError, KeyError, TypeError):
            return
        if step is not None and 0 <= at <= len(self._steps):
            self._steps[at:] = [step]
        if 0 <= at < len(self._steps):
            self._at = at

    def _write(self, told: dict[str, Any]) -> None:
        """Add a line and bring it to the disk.

        Raises OutputProblem if the disk fails.
        """
        try:
            with self._path.open("a", encoding="utf-8") as file:
                # A line cut short must not take the next one with it.
                file.write("\n" + json.dumps(_MARK | told) + "\n")
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise output_problem(self._path, error) from error
