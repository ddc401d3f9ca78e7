"""Cautions for the chemistry; the maker's safety data sheet and local rules come first."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from pipeline.profile import shipped
from pipeline.record import Finding


@dataclass(frozen=True)
class Cautions:
    """A head and the sentences under it, most important first."""

    head: str
    lines: tuple[str, ...]


# Findings whose advice sends nobody to the baths; any other one, known or not, may.
_DRY_FINDINGS = frozenset({
    "normal", "under-exposed", "over-exposed", "unexposed",
    "light-leak", "frame-count", "scanner-clipped", "scanner-drift",
})  # fmt: skip


def leads_to_baths(findings: Iterable[Finding]) -> bool:
    """Tell whether the advice of any finding leads to the baths."""
    return any(finding.code not in _DRY_FINDINGS for finding in findings)


@cache
def cautions() -> Cautions:
    """Return the cautions of profiles/cautions.toml; sources are named there."""
    document = shipped("cautions.toml")
    return Cautions(str(document["head"]), tuple(str(each["text"]) for each in document["caution"]))


def caution_text() -> str:
    """Return the cautions as plain text, a line each, ending in a newline."""
    told = cautions()
    return "\n".join([f"{told.head}:", *(f"- {line}" for line in told.lines)]) + "\n"
