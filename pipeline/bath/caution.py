"""Cautions for the chemistry; the maker's safety data sheet and local rules come first."""

from dataclasses import dataclass
from functools import cache

from pipeline.profile import shipped


@dataclass(frozen=True)
class Cautions:
    """A head and the sentences under it, most important first."""

    head: str
    lines: tuple[str, ...]


@cache
def cautions() -> Cautions:
    """Return the cautions of profiles/cautions.toml; sources are named there."""
    document = shipped("cautions.toml")
    return Cautions(str(document["head"]), tuple(str(line) for line in document["lines"]))


def caution_text() -> str:
    """Return the cautions as plain text, a line each, ending in a newline."""
    told = cautions()
    return "\n".join([f"{told.head}:", *(f"- {line}" for line in told.lines)]) + "\n"
