"""Figures of drawn rolls as they are now: `python -m tests.judged.pinned --write` renews them.

Renew only for a change that is meant to move figures, and look at what moved first (without
`--write` the command prints it): each moved figure is either nearer to the film model's truth or
of the same worth. A change that is meant to move none leaves `tests/data/pinned.json` alone.
"""

import argparse
import json
import math
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.record.document import to_document
from pipeline.roll.record import record_of
from pipeline.roll.survey import SurveyedRoll, survey_roll
from pipeline.settings.settings import Roll
from pipeline.survey.strip import StripSurvey
from tests.film_model import write_scan
from tests.judged.pinned_cases import PinnedCase, pinned_cases
from tests.judged.pinned_drawn import (
    chart_figures,
    edge_figures,
    plane_figures,
    span_figures,
    wedge_figures,
)
from tests.judged.pinned_film import base_figures, surround_figures
from tests.judged.pinned_readings import (
    control_figures,
    silver_findings,
    spot_figures,
    weighed_faults,
)
from tests.render.whole_pictures import cut_mended

PINNED = Path(__file__).parents[1] / "data" / "pinned.json"
# What other processors, and other versions of the libraries, may make of the same sums.
LENGTH_MM, SHARE, LEAST = 0.01, 1e-3, 1e-3
PLACES = 4
# What single rooms make of drawn things: many limits in little time.
TABLES: Mapping[str, Callable[[], dict[str, Any]]] = {
    "control strips": control_figures,
    "spots": spot_figures,
    "faults weighed": weighed_faults,
    "silver findings": silver_findings,
    "bases": base_figures,
    "surrounds": surround_figures,
    "wedges": wedge_figures,
    "charts": chart_figures,
    "edges": edge_figures,
    "spans": span_figures,
    "planes": plane_figures,
}
# Said to people, in words that may change; or told by other figures.
_WORDS = (
    "evidence", "advice", "trust", "said", "files", "problems", "evenroll", "schema",
    "roll", "scan",
)  # fmt: skip


def drawn(case: PinnedCase, folder: Path) -> tuple[Path, ...]:
    """Write the scans of a case into a folder, with their truth; return their paths."""
    return tuple(write_scan(folder, f"s{n}", scan) for n, scan in enumerate(case.draw()))


def surveyed(case: PinnedCase, scans: Sequence[Path]) -> SurveyedRoll:
    """Return the survey of a case's scans."""
    roll = Roll("r", tuple(scans), case.notes, case.settings)
    with ThreadPoolExecutor(1) as executor:
        return survey_roll(roll, executor, lambda event: None)


def figures(roll: SurveyedRoll) -> dict[str, Any]:
    """Return the figures of a roll in tables of tables, or what refuses it."""
    if not roll.strips:
        return {"refused": [trouble.message.split(": ", 1)[1] for trouble in roll.problems]}
    document = to_document(record_of(roll))
    for strip in document["strips"]:
        _in_mm(strip)
    return _plain(document | {"also": _unrecorded(roll)})


def table_figures(name: str) -> dict[str, Any]:
    """Return the figures of one of `TABLES`."""
    told: dict[str, Any] = _plain(TABLES[name]())
    return told


def differences(now: Mapping[str, Any], then: Mapping[str, Any]) -> list[str]:
    """Return a line for each figure that moved by more than processors may differ."""
    new, old = dict(_leaves(now)), dict(_leaves(then))
    return [
        f"{name}: {old.get(name)} -> {new.get(name)}"
        for name in old | new
        if not _alike(name, new.get(name), old.get(name))
    ]


def _alike(name: str, now: Any, then: Any) -> bool:
    if isinstance(then, bool | str | None) or isinstance(now, bool | str | None):
        return bool(now == then)
    if "outline" in name:
        return abs(now - then) <= LENGTH_MM
    return math.isclose(now, then, rel_tol=SHARE, abs_tol=LEAST)


def _in_mm(strip: dict[str, Any]) -> None:
    """Turn the outlines of a strip's record from pixels into mm; of edge codes leave the texts."""
    for part in (strip, *strip["frames"]):
        part["outline"] = [[c * 25.4 / strip["ppi"] for c in corner] for corner in part["outline"]]
    strip["edge_codes"] = [code["text"] for code in strip["edge_codes"]]


def _unrecorded(roll: SurveyedRoll) -> dict[str, Any]:
    """Return figures that the record doesn't hold, but pictures or findings rest on."""
    return {
        "exposure": math.log10(roll.colour.exposure),
        "confidence": roll.colour.confidence,
        "tone": vars(roll.tone),
        "strips": [_of_strip(strip) for strip in roll.strips],
    }


def _of_strip(strip: StripSurvey) -> dict[str, Any]:
    talk = strip.cross_talk
    return {
        "edges_seen": list(strip.edges_seen),
        "habit": None if strip.habit is None else vars(strip.habit),
        "leak": None if strip.leak is None else vars(strip.leak),
        "infrared": None if talk is None else vars(talk) | {"mended": _mended(strip)},
    }


def _mended(strip: StripSurvey) -> list[list[float]]:
    """Return of each frame the pixels that were mended, and their mean light."""
    rows = []
    for frame in strip.frames if strip.cross_talk and strip.cross_talk.verdict == "dust" else ():
        light, mask = cut_mended(strip.scan, frame.outline, frame.base, strip.cross_talk, strip.ppi)
        rows.append([int((mask > 0).sum()), float(light[mask > 0].mean()) if mask.any() else 0.0])
    return rows


def _leaves(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Yield all that is no table or list, with a dotted name."""
    if not isinstance(value, dict | list):
        yield name, value
        return
    for key, each in value.items() if isinstance(value, dict) else enumerate(value):
        yield from _leaves(each, f"{name}.{key}")


def _plain(value: Any) -> Any:
    """Return a value as JSON has it, without words to people and numbers but rounded."""
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items() if key not in _WORDS}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(each) for each in value]
    if isinstance(value, np.generic):
        value = value.item()
    return round(value, PLACES) + 0.0 if isinstance(value, float) else value


def as_text(figures_by_case: Mapping[str, Any]) -> str:
    """Return the text of the file, a line for each case."""
    rows = [
        f"{json.dumps(name)}: {json.dumps(each, separators=(',', ':'))}"
        for name, each in figures_by_case.items()
    ]
    return "{\n" + ",\n".join(rows) + "\n}\n"


def main() -> None:
    parser = argparse.ArgumentParser(prog="tests.judged.pinned", description=__doc__)
    parser.add_argument("--write", action="store_true", help="pin what comes out now")
    words = parser.parse_args()
    now: dict[str, Any] = {name: table_figures(name) for name in TABLES}
    for case in pinned_cases():
        with tempfile.TemporaryDirectory() as folder:
            now[case.name] = figures(surveyed(case, drawn(case, Path(folder))))
    then = json.loads(PINNED.read_text()) if PINNED.exists() else {}
    for name in now | then:
        for line in differences(now.get(name, {}), then.get(name, {})):
            print(f"{name}: {line}")
    if words.write:
        PINNED.write_text(as_text(now))


if __name__ == "__main__":
    main()
