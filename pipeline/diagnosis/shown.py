"""What a roll shows, and whether it can be held against a good one."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.diagnosis.signs import RollSigns, signs_of_document
from pipeline.problem import ScanProblem
from pipeline.survey import StripSurvey

# Scans of one scanner at one setting agree so far in their resolution, as a share.
_SAME_PPI = 0.05


@dataclass(frozen=True)
class Shown:
    """What a roll shows: its signs, the film codes on its edge, and its scans' pixels per inch.

    `films` is empty where no code was read, `ppi` None where there is no strip.
    """

    signs: RollSigns
    films: frozenset[str] = frozenset()
    ppi: float | None = None

    def unlike(self, aim: "Shown") -> str | None:
        """Return why this roll can't be held against an aim, None where it may be."""
        if self.films and aim.films and not self.films & aim.films:
            own, other = (", ".join(sorted(each.films)) for each in (self, aim))
            return f"the aim is of film {other} by its edge, and this roll of {own}"
        if self.ppi and aim.ppi and abs(self.ppi / aim.ppi - 1.0) > _SAME_PPI:
            return (
                f"the aim was scanned at {aim.ppi:.0f} pixels per inch, this roll at {self.ppi:.0f}"
            )
        return None


def together(good: Sequence[Shown]) -> Shown:
    """Return what good rolls of one film and scanner show together: the mean of their signs.

    A sign that only some show is the mean of those; the pictures of all count.
    """
    values = np.array([each.signs.values for each in good])
    seen = np.isfinite(values)
    total = np.where(seen, values, 0.0).sum(axis=0)
    mean = np.where(seen.any(axis=0), total / np.maximum(seen.sum(axis=0), 1), np.nan)
    signs = RollSigns(tuple(mean.tolist()), sum(each.signs.frames for each in good))
    films = frozenset[str]().union(*(each.films for each in good))
    return Shown(signs, films, _middle([each.ppi for each in good if each.ppi is not None]))


def shown_of_strips(signs: RollSigns, strips: Sequence[StripSurvey]) -> Shown:
    """Return what a surveyed roll shows."""
    codes = [code[0] for strip in strips for code in strip.edge_codes]
    return Shown(signs, _films(codes), _middle([strip.ppi for strip in strips]))


def shown_of_record(document: Mapping[str, Any], path: Path) -> Shown:
    """Return what a roll shows, from its record's document.

    Raises
    ------
    ScanProblem
        If its densities make no sense.
    """
    try:
        signs = signs_of_document(document)
        strips = document.get("strips") or []
        codes = [code["text"] for strip in strips for code in strip.get("edge_codes", ())]
        ppi = [float(strip["ppi"]) for strip in strips if "ppi" in strip]
        return Shown(signs, _films(codes), _middle(ppi))
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise ScanProblem(
            path, f"holds {error}", "convert the roll again with this version"
        ) from error


def _middle(ppi: Sequence[float]) -> float | None:
    return float(np.median(ppi)) if len(ppi) else None


def _films(codes: Iterable[str]) -> frozenset[str]:
    """Return the films of edge codes: what stands before the frame's number."""
    return frozenset(code.split("/")[0] for code in codes)
