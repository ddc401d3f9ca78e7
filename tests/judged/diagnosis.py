"""First findings on rolls with known faults: `python -m tests.judged.diagnosis`.

Prints confusion tables, faults down and first findings across, of `--equations N` rolls drawn from
the film model's equations (`tests.judged.fault_bank`), on worlds that are `used` for setting
constants and on those `left-out`, alone and with a good roll as aim; without it, of whole scans.
Faults that show in base, edge print or leader (`tests.judged.fault_shown`) are told apart from
those that don't.
"""

import argparse
import itertools
import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.diagnosis.roll import colour_findings
from pipeline.diagnosis.shown import Shown
from pipeline.diagnosis.signs import SIGNS, RollSigns
from pipeline.roll.record import record_of
from pipeline.roll.survey import survey_roll
from pipeline.settings.settings import Roll, RollNotes, Settings
from tests.film_model import film_names, scanner_names, write_scan
from tests.judged.fault_bank import FaultyRoll, faulty_rolls
from tests.judged.fault_cases import FAULT_CASES, fault_scans
from tests.judged.fault_shown import shows

CODES = (
    "normal", "under-exposed", "over-exposed", "under-developed", "over-developed", "high-base",
    "retained-silver", "colour-crossover", "no-image", "unexposed",
)  # fmt: skip
PROCESS = CODES[3:8]
SPLITS = ("used", "left-out")
# What of the film is out of view, and what good roll is given, by what the table is called.
VIEWS = {
    "pictures alone": (("edge_print", "densest"), None),
    "rebate in view": (("densest",), None),
    "rebate and leader in view": (("none",), None),
    "rebate in view, an aim": (("densest",), "own"),
    "rebate and leader in view, an aim": (("none",), "own"),
    "rebate in view, an aim of another film": (("densest",), "other"),
}


@dataclass(frozen=True)
class Told:
    """What came first of one roll, and with what confidence.

    `named` is whether what is right is named beside it, `aimed` whether an aim was used; `shows`
    whether base, edge print or leader are unlike those of sound rolls, None where that wasn't held;
    `claimed` whether what is right is one of the faults that a finding of several names.
    """

    case: str
    code: str
    told: str
    confidence: float
    where: str
    named: bool = False
    aimed: bool = False
    shows: bool | None = None
    claimed: bool = False


class _Here:
    """An executor that does the work at once, so that every roll has one process."""

    def submit(self, task, *arguments, **named):  # type: ignore[no-untyped-def]
        from concurrent.futures import Future

        future: Future = Future()
        try:
            future.set_result(task(*arguments, **named))
        except Exception as error:
            future.set_exception(error)
        return future


def judged_case(
    case: str, film: str, scanner: str, seed: int, rebate: bool, ppi: float, infrared: bool,
    scanner_profile: str | None = None,
) -> Told:  # fmt: skip
    """Make one roll, survey it, and return its first finding."""
    fault = FAULT_CASES[case]
    where = f"{film} {scanner} {seed}"
    scans = fault_scans(fault, film, scanner, seed, rebate, ppi=ppi, infrared=infrared)
    with tempfile.TemporaryDirectory() as folder:
        paths = tuple(Path(write_scan(Path(folder), f"s{n}", scan)) for n, scan in enumerate(scans))
        settings = Settings(scanner_profile=scanner_profile)
        roll = Roll("r", paths, RollNotes(), settings)
        record = record_of(survey_roll(roll, _Here(), lambda event: None))  # type: ignore[arg-type]
    if not record.findings:
        return Told(case, fault.code, "none", 0.0, where)
    first = record.findings[0]
    return Told(case, fault.code, first.code, first.confidence, where)


def code_of(roll: FaultyRoll) -> str | None:
    """Return the finding a drawn roll should give; None where its fault is too small to call."""
    degree = roll.degree[0]
    usual = abs(roll.stops) < 0.5
    if roll.family == "normal":
        if roll.stops < -1.4:
            return "under-exposed"
        return "over-exposed" if roll.stops > 2.2 else "normal" if usual else None
    if not usual:
        return None
    if roll.family == "development":
        if degree < np.log(0.8):
            return "under-developed"
        return "over-developed" if degree > np.log(1.3) else None
    if roll.family in ("fog", "stain"):
        return "high-base" if degree > 0.12 else None
    if roll.family == "silver":
        return "retained-silver" if degree > 0.25 else None
    return "colour-crossover" if np.ptp(roll.degree) > 0.35 else None


def without(signs: RollSigns, parts: Sequence[str]) -> RollSigns:
    """Return signs with those of some parts of the film not seen."""
    values = [
        np.nan if name.startswith(tuple(parts)) else value
        for name, value in zip(SIGNS, signs.values, strict=True)
    ]
    return replace(signs, values=tuple(values))


def aim_of(rolls: Sequence[FaultyRoll], place: int, kind: str | None) -> RollSigns | None:
    """Return the signs of the good roll that a drawn roll is held against, its own or another's."""
    roll = rolls[place]
    if kind is None:
        return None
    others = (*rolls[place:], *rolls[:place])
    return next(each.aim for each in others if (each.film == roll.film) == (kind == "own"))


def judged_equations(rolls: Sequence[FaultyRoll], view: str) -> list[Told]:
    """Return first findings of drawn rolls in one of the VIEWS."""
    told = []
    hidden, kind = VIEWS[view]
    for place, roll in enumerate(rolls):
        code = code_of(roll)
        if code is None:
            continue
        good = aim_of(rolls, place, kind)
        aim = Shown(without(good, hidden)) if good else None
        first = colour_findings(Shown(without(roll.signs, hidden)), aim)[0]
        named = f" {code} (" in first.evidence + first.advice
        aimed = aim is not None and "so it is not used" not in first.evidence
        shown = shows(without(roll.signs, hidden))
        claimed = f" {code} (" in first.evidence.partition("hardly sound")[2]
        told.append(
            Told(
                code, code, first.code, first.confidence, roll.family, named, aimed, shown, claimed
            )
        )
    return told


def table(told: Sequence[Told]) -> str:
    """Return the confusion table as text, with the share of right first findings."""
    cases = list(dict.fromkeys(one.case for one in told))
    width = max(len(case) for case in cases) + 2
    seen = [code for code in (*CODES, "none") if any(one.told == code for one in told)]
    others = sorted({one.told for one in told} - set(seen))
    columns = seen + others
    lines = [" " * width + "  ".join(columns) + "  right"]
    for case in cases:
        row = [one for one in told if one.case == case]
        counts = Counter(one.told for one in row)
        right = sum(one.told == one.code for one in row) / len(row)
        cells = "  ".join(f"{counts[column] or '.':>{len(column)}}" for column in columns)
        lines.append(f"{case:<{width}}{cells}  {right:5.2f}")
    right = np.mean([one.told == one.code for one in told])
    normal = [one for one in told if one.code == "normal"]
    faults = [one for one in told if one.told != "normal"]
    lines.append(f"right first finding {right:.3f} of {len(told)} rolls")
    if faults:
        sure = np.mean([one.told == one.code for one in faults])
        lines.append(f"right where a fault is told {sure:.3f} of {len(faults)} rolls")
    if normal:
        alarms = np.mean([one.told != "normal" for one in normal])
        lines.append(f"false alarms {alarms:.3f} of {len(normal)} normal rolls")
    for shown, name in ((True, "shows"), (False, "doesn't show")):
        of_process = [one for one in told if one.shows is shown and one.code in PROCESS]
        if of_process:
            first = np.mean([one.told == one.code for one in of_process])
            lines.append(f"right where a process fault {name} {first:.3f} of {len(of_process)}")
    missed = [one for one in told if one.told == "normal" != one.code]
    if missed:
        named = np.mean([one.named for one in missed])
        lines.append(f"named beside normal {named:.3f} of {len(missed)} faults missed")
    if any(one.aimed for one in told):
        lines.append(f"aim used {np.mean([one.aimed for one in told]):.3f}")
    return "\n".join(lines)


def beside(tables: Mapping[str, str]) -> str:
    """Return texts beside each other, each under its name."""
    columns = [[name, *text.splitlines()] for name, text in tables.items()]
    widths = [max(map(len, column)) for column in columns]
    rows = itertools.zip_longest(*columns, fillvalue="")
    return "\n".join(
        "    ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--equations", type=int, default=0)
    parser.add_argument("--seeds", type=int, nargs=2, default=(500, 501))
    parser.add_argument("--films", nargs="*", default=film_names())
    parser.add_argument("--scanners", nargs="*", default=scanner_names())
    parser.add_argument("--cases", nargs="*", default=list(FAULT_CASES))
    parser.add_argument("--ppi", type=float, default=200.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--hidden", action="store_true", help="rebate not in view")
    parser.add_argument("--infrared", action="store_true")
    parser.add_argument("--scanner-profile")
    chosen = parser.parse_args()
    if chosen.equations:
        rolls = {split: faulty_rolls(chosen.equations, chosen.seeds[0], split) for split in SPLITS}
        for view in VIEWS:
            tables = {split: table(judged_equations(rolls[split], view)) for split in SPLITS}
            print(f"{view}\n{beside(tables)}\n")
        return
    jobs = list(
        itertools.product(chosen.cases, chosen.films, chosen.scanners, range(*chosen.seeds))
    )
    with ProcessPoolExecutor(chosen.workers) as pool:
        futures = [
            pool.submit(
                judged_case, *job, not chosen.hidden, chosen.ppi, chosen.infrared,
                chosen.scanner_profile,
            )
            for job in jobs
        ]  # fmt: skip
        told = [future.result() for future in futures]
    print(table(told))
    for one in told:
        if one.told != one.code:
            print(f"{one.case}: {one.told} ({one.confidence:.2f}) on {one.where}")


if __name__ == "__main__":
    main()
