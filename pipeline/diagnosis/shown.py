"""What a roll shows, and whether it can be held against a good one."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.bath import Use, freshest
from pipeline.diagnosis.signs import (
    PatchDensities,
    RollSigns,
    signs_of_document,
    signs_of_ranges,
)
from pipeline.kinds import Triple, as_triple
from pipeline.problem import ScanProblem
from pipeline.record import edge_films
from pipeline.survey import StripSurvey
from pipeline.words import counted

# Scans of one scanner at one setting agree so far in their resolution, as a share.
_SAME_PPI = 0.05
# More rolls of a log tell little more, and are from baths less fresh.
_MOST_LOGGED = 5


@dataclass(frozen=True)
class Shown:
    """What a roll shows: its signs, the film codes on its edge, and its scans' pixels per inch.

    `films` is empty where no code was read, `ppi` None where there is no strip. `logged` is how
    many rolls of a log of chemistry it stands for, none where it is a roll itself. `devices` are
    the scanners that scans name, empty where they name none.
    """

    signs: RollSigns
    films: frozenset[str] = frozenset()
    ppi: float | None = None
    logged: int = 0
    devices: frozenset[str] = frozenset()

    @property
    def name(self) -> str:
        """What it is called where another roll is held against it."""
        if not self.logged:
            return "the aim"
        return f"what the log tells of this film ({counted(self.logged, 'roll')})"

    def unlike(self, aim: "Shown") -> str | None:
        """Return why this roll can't be held against an aim, None where it may be."""
        if self.films and aim.films and not self.films & aim.films:
            own, other = (", ".join(sorted(each.films)) for each in (self, aim))
            return f"the aim is of film {other} by its edge, and this roll of {own}"
        if self.devices and aim.devices and not self.devices & aim.devices:
            own, other = (", ".join(sorted(each.devices)) for each in (self, aim))
            return f"the aim's scans name the scanner {other}, and this roll's {own}"
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
    devices = frozenset[str]().union(*(each.devices for each in good))
    ppi = _middle([each.ppi for each in good if each.ppi is not None])
    return Shown(signs, films, ppi, devices=devices)


def shown_of_log(uses: Sequence[Use], films: Collection[str]) -> Shown | None:
    """Return what the freshest rolls of a log show of a film, by any of its names; None: no roll.

    They are an aim that nobody vouches for: their medians, so that one roll that went wrong among
    three does not count.
    """
    good = freshest(uses, films, _MOST_LOGGED)
    if not good:
        return None
    printed, base = (
        as_triple(np.median(seen, axis=0)) if seen else None
        for seen in ([v for v in values if v] for values in zip(*map(_patches, good), strict=True))
    )
    nothing = np.zeros((0, 3))
    signs = signs_of_ranges(nothing, nothing, nothing, PatchDensities(printed, base))
    return Shown(signs, logged=len(good))


def _patches(use: Use) -> tuple[Triple | None, Triple | None]:
    return use.edge_print, use.base


def shown_of_strips(signs: RollSigns, strips: Sequence[StripSurvey]) -> Shown:
    """Return what a surveyed roll shows."""
    films = frozenset(code[0].split("/")[0] for strip in strips for code in strip.edge_codes)
    devices = frozenset(name for strip in strips if (name := strip.scan.device_name))
    return Shown(signs, films, _middle([strip.ppi for strip in strips]), devices=devices)


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
        ppi = [float(strip["ppi"]) for strip in strips if "ppi" in strip]
        devices = frozenset(str(strip["device"]) for strip in strips if strip.get("device"))
        films = frozenset(edge_films(document))
        return Shown(signs, films, _middle(ppi), devices=devices)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise ScanProblem(
            path, f"holds {error}", "convert the roll again with this version"
        ) from error


def _middle(ppi: Sequence[float]) -> float | None:
    return float(np.median(ppi)) if len(ppi) else None
