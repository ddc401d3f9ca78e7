"""A roll to work on, and names that are safe in file names."""

import re
from dataclasses import dataclass
from pathlib import Path

from pipeline.problem import ScanProblem
from pipeline.settings.settings import RollNotes, Settings

_NAME_BYTES = 80
_SAFE = re.compile(r"[^\w.+-]+")


@dataclass(frozen=True)
class Roll:
    """A roll to work on: its scans in order, notes, settings, and the name its files carry.

    `problem` tells why a roll without scans has none, `refused` what was found among them that
    is not to be opened.
    """

    name: str
    scans: tuple[Path, ...]
    notes: RollNotes
    settings: Settings
    problem: ScanProblem | None = None
    refused: tuple[ScanProblem, ...] = ()


def safe_name(text: str) -> str:
    """Return a text as part of a file name: letters, digits, . _ + -; never a path."""
    # Cut by bytes: file systems take 255 of them, and a letter may need four.
    cut = _SAFE.sub("-", text.strip()).encode()[:_NAME_BYTES].decode("utf-8", "ignore")
    return cut.strip(".-") or "roll"
