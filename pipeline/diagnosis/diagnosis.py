"""What one input says, scans, record or readings: findings in rank, as text and as JSON."""

import math
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.control import (
    ControlReading,
    ControlSeries,
    Readings,
    Spot,
    control_findings,
    control_series,
    spot_findings,
    state,
)
from pipeline.densities import FilmCurve, curve_document, curve_lines, curve_of_wedge
from pipeline.diagnosis.roll import FILM_CODES, colour_findings
from pipeline.diagnosis.shown import Shown, shown_of_log, shown_of_record
from pipeline.problem import ScanProblem
from pipeline.profile import MONOCHROME
from pipeline.record import SEVERITIES, Finding, base_of, by_weight, edge_films, strips_of
from pipeline.words import printable

if TYPE_CHECKING:
    from pipeline.bath import Batch, Use


_FIELDS = ("code", "severity", "evidence", "advice")


@dataclass(frozen=True)
class Diagnosis:
    """What one input says: its name, findings in rank, and what else is to be told.

    `kind` is scans, record, readings or batch; `failed` counts its scans that could not be used,
    and `problems` are what was said of them; `notes` are plain sentences on readings; `curves`
    are those of wedges among them.
    """

    name: str
    kind: str
    findings: tuple[Finding, ...]
    notes: tuple[str, ...] = ()
    series: ControlSeries | None = None
    failed: int = 0
    problems: tuple[str, ...] = ()
    curves: tuple[FilmCurve, ...] = ()


def findings_of(
    document: Mapping[str, Any], path: Path, aim: Shown | None = None
) -> tuple[Finding, ...]:
    """Return the findings of a roll record's document, the gravest first, else as they stand.

    What it says of exposure and process is weighed anew where it says nothing of them, or where
    `aim` is a roll of the same film and scanner that is known to be right.

    Raises
    ------
    ScanProblem
        If they are not as roll.json holds them.
    """
    stored = _stored(document.get("findings", []), path)
    of_film = [each for each in stored if each.code in FILM_CODES]
    if (of_film and aim is None) or document.get("profile") == MONOCHROME:
        return by_weight(stored)
    shown = shown_of_record(document, path)
    if not shown.signs.frames:
        return by_weight(stored)
    rest = [each for each in stored if each.code not in FILM_CODES]
    return by_weight([*colour_findings(shown, aim), *rest])


def with_batch(
    findings: Sequence[Finding], batch: Any, bath_log: Path | None
) -> tuple[Finding, ...]:
    """Return findings with what the log says of the roll's batch of chemistry, if it has one.

    Raises
    ------
    SettingsProblem
        If the log can't be read, or doesn't know the batch.
    """
    name = _batch_name(batch)
    if bath_log is None or not name:
        return tuple(findings)
    from pipeline.bath import BathLog, batch_findings

    worn = batch_findings(*BathLog(bath_log).batch(name))
    kept = [each for each in findings if not worn or each.code != "normal"]
    return by_weight([*kept, *worn])


def aim_of_log(bath_log: Path | None, document: Mapping[str, Any]) -> Shown | None:
    """Return what the log says of a roll record's film; None where it has no other roll of it.

    The film goes by its name and by the codes on its edge. Records in Status M are passed over, as
    the log keeps a scanner's densities.

    Raises
    ------
    SettingsProblem
        If the log can't be read.
    """
    roll = document.get("roll") or {}
    films = {str(roll.get("film") or ""), *edge_films(document)} - {""}
    if bath_log is None or any("status_m" in base_of(s) for s in strips_of(document)):
        return None
    from pipeline.bath import BathLog, Use

    own = (_batch_name(roll.get("batch")), roll.get("id"))
    entries = BathLog(bath_log).entries()
    others = [e for e in entries if isinstance(e, Use) and (e.batch, e.roll) != own]
    return shown_of_log(others, films)


def _batch_name(batch: Any) -> str:
    return str(batch.get("name") or "") if isinstance(batch, Mapping) else ""


def batch_diagnoses(records: Sequence[Path]) -> tuple[Diagnosis, ...]:
    """Return what several rolls' records say together of a batch of chemistry they share.

    Records that name no batch are passed over, and so is a batch whose rolls show no wear.
    """
    from pipeline.bath import batch_findings, entries_of_roll

    batches: dict[str, list[tuple[Batch, Use]]] = {}
    for path in records:
        with suppress(ScanProblem):
            batch, use = entries_of_roll(path)
            batches.setdefault(batch.name, []).append((batch, use))
    told = []
    for name, entries in batches.items():
        found = batch_findings(entries[-1][0], [use for _, use in entries])
        if found:
            told.append(Diagnosis(f"batch {name}", "batch", found))
    return tuple(told)


def _stored(stored: Any, path: Path) -> list[Finding]:
    wrong = ScanProblem(
        path, "holds findings that make no sense", "convert the roll again with this version"
    )
    if not isinstance(stored, list):
        raise wrong
    findings = []
    for each in stored:
        if not isinstance(each, dict) or not all(isinstance(each.get(k), str) for k in _FIELDS):
            raise wrong
        confidence = each.get("confidence")
        if isinstance(confidence, bool) or not isinstance(confidence, (int, float)):
            raise wrong
        if not 0.0 <= confidence <= 1.0 or each["severity"] not in SEVERITIES:
            raise wrong
        findings.append(Finding(confidence=float(confidence), **{k: each[k] for k in _FIELDS}))
    return findings


def diagnosis_of_readings(
    readings: Readings, aim: ControlReading | None = None, aim_spots: Sequence[Spot] = ()
) -> Diagnosis:
    """Return what densitometer readings say; an aim given goes before the file's own.

    Raises
    ------
    ScanProblem
        If there is nothing that can be judged.
    """
    notes = list(readings.notes)
    series = control_series(readings.controls, aim or readings.aim)
    if series is not None and series.aim_is_first:
        notes.append(
            f"No aim is given: strip {series.aim.strip} stands for it, and is not judged itself; "
            "add rows of the reference strip, with strip 'aim', or name a file with --aim."
        )
    judged = [] if series is None else list(control_findings(series))
    judged += spot_findings(readings.spots, aim_spots or readings.aim_spots)
    curves = []
    for wedge in readings.wedges:
        curve = curve_of_wedge(wedge.log_exposure, wedge.density, wedge.lux_seconds)
        low, high = wedge.log_exposure[[0, -1]]
        steps = f"{len(wedge.log_exposure)} steps over {high - low:.2f} log exposure"
        if curve is None:
            notes.append(f"Wedge {wedge.strip}: {steps}, too few for a curve.")
            continue
        curves.append(curve)
        notes += [f"Wedge {wedge.strip}: {steps}.", *curve_lines(curve)]
    if series is None and readings.controls:
        told = "one control strip and no aim to hold it against"
        remedy = "add rows of the reference strip, with strip 'aim', or name a file with --aim"
        if not judged and not readings.wedges:
            raise ScanProblem(readings.path, f"holds {told}", remedy)
        notes.append(f"There is {told}; {remedy}.")
    elif not judged and not readings.wedges:
        raise ScanProblem(
            readings.path,
            "holds nothing to judge",
            "add control strips, or spots such as base and edge-print",
        )
    return Diagnosis(
        str(readings.path), "readings", ranked(judged), tuple(notes), series, curves=tuple(curves)
    )


def ranked(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings, the gravest first; of the same weight the most certain first."""
    return by_weight(sorted(findings, key=lambda each: -each.confidence))


def text_lines(done: Sequence[Diagnosis]) -> list[str]:
    """Return what a person reads of each input: its notes, and its findings in rank."""
    lines: list[str] = []
    for each in done:
        lines += ["", f"{printable(each.name)}:"] if lines else [f"{printable(each.name)}:"]
        lines += [f"  {printable(note)}" for note in each.notes]
        for place, found in enumerate(each.findings, 1):
            lines += [
                f"  {place}. {printable(found.code)} ({found.severity}, confidence "
                f"{found.confidence:.2f})",
                f"     {printable(found.evidence)}",
                f"     What to do: {printable(found.advice)}",
            ]
        if not each.findings:
            lines.append("  No findings.")
    return lines


def document_of(each: Diagnosis) -> dict[str, Any]:
    """Return a diagnosis as a JSON-ready document; what was not read is null."""
    document: dict[str, Any] = {
        "input": each.name,
        "kind": each.kind,
        "findings": [asdict(found) for found in each.findings],
        "notes": list(each.notes),
        "problems": list(each.problems),
    }
    if each.curves:
        document["curves"] = [curve_document(curve) for curve in each.curves]
    if each.series is not None:
        document["control"] = _control_document(each.series)
    return document


def _control_document(series: ControlSeries) -> dict[str, Any]:
    return {
        "aim_is_first": series.aim_is_first,
        "strips": [
            {
                "strip": each.reading.strip,
                "date": each.reading.date.isoformat() if each.reading.date else None,
                "batch": each.reading.batch,
                "state": state(each),
                **{name: list(map(_figure, each.of(name))) for name in ("d_min", "ld", "contrast")},
                "retained": _figure(each.retained),
                "colour_spread": _figure(each.colour_spread),
            }
            for each in series.deviations
        ],
        "signals": [str(signal) for signal in series.signals],
    }


def _figure(value: float) -> float | None:
    return value if math.isfinite(value) else None
