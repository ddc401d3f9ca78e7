"""The command's words about what densities say: of scans, a roll record, or readings."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.command.chart import check_chart, write_chart
from pipeline.command.naming import OptionNames, given, word_of
from pipeline.command.options import SCAN_PATH, file_option, scan_options
from pipeline.command.run import Talk, echo_json, overall, run_of
from pipeline.problem import Exit, OutputProblem, Problem, ScanProblem, SettingsProblem

if TYPE_CHECKING:
    from pipeline.control import ControlReading, Spot
    from pipeline.diagnosis import Diagnosis, Shown
    from pipeline.report import Plot


READING_SUFFIXES = frozenset({".csv", ".tsv", ".txt"})


@click.command("diagnose", cls=OptionNames)
@click.argument("inputs", nargs=-1, required=True, type=SCAN_PATH)
@file_option(
    "--aim",
    metavar="FILE",
    help="What is right: a CSV file with readings of the reference strip (default: rows of strip "
    "'aim'), or the roll.json of a good roll of the same film and scanner; give it again for each "
    "further good roll, such as earlier ones of the same batch.",
    multiple=True,
)
@file_option(
    "--chart",
    metavar="FILE",
    help="Draw a control chart of the CSV's control strips, as .svg or .png; of a wedge alone its "
    "curve, of scans the densities of their first roll.",
)
@file_option(
    "--bath-log",
    metavar="FILE",
    help="Log of chemistry batches: tells too whether the batch of a roll is wearing out, and "
    "without --aim holds a roll against the log's other rolls of its film.",
)
@scan_options
def diagnose_command(
    inputs: tuple[Path, ...],
    aim: tuple[Path, ...],
    chart: Path | None,
    bath_log: Path | None,
    **options: Any,
) -> int:
    """Tell what densities say of exposure, development and film, most likely first.

    INPUTS are scans (folders and files, as for measure), the roll.json of a finished run, and CSV
    files of readings with a densitometer.
    """
    talk = Talk(options["verbose"])
    as_json, strict = options["as_json"], options["strict"]
    scans, others = _sorted_inputs(inputs)
    _check_needed(options, aim, scans, others)
    _check_chart(chart, scans, others)
    reference = replace(_aim(aim), bath_log=bath_log)
    done: list[Diagnosis] = []
    plots: list[Plot] = []
    codes: list[Exit] = []
    for path in others:
        try:
            done.append(_of_file(path, reference))
            codes.append(Exit.DONE)
        except Problem as problem:
            talk.say(str(problem))
            codes.append(Exit.NOTHING_DONE)
            if strict:
                break
    records = [path for path in others if path.suffix.lower() == ".json"]
    if len(records) > 1:
        from pipeline.diagnosis import batch_diagnoses

        done += batch_diagnoses(records)
    if scans and not (strict and any(codes)):
        more, plots, more_codes = _of_scans(scans, options, talk, reference)
        done += more
        codes += more_codes
    _echo(done, as_json)
    if chart is not None:
        codes.append(_drawn(chart, [*_plots_of(done), *plots], talk))
    return overall(codes)


def _sorted_inputs(inputs: Sequence[Path]) -> tuple[tuple[Path, ...], tuple[Path, ...]]:
    """Return what are scans, and what are records and readings, each once."""
    paths = tuple(dict.fromkeys(inputs))
    others = tuple(
        path
        for path in paths
        if path.suffix.lower() in {".json", *READING_SUFFIXES} and not path.is_dir()
    )
    return tuple(path for path in paths if path not in others), others


# What holds for records and readings too.
_OF_ALL = ("verbose", "as_json", "strict")


def _check_needed(
    options: dict[str, Any],
    aims: Sequence[Path],
    scans: Sequence[Path],
    others: Sequence[Path],
) -> None:
    """Refuse what would do nothing with these inputs."""
    context = click.get_current_context()
    tables = [path for path in others if path.suffix.lower() in READING_SUFFIXES]
    rolls = scans or len(others) > len(tables)
    needless = ""
    for name in options:
        if not scans and name not in _OF_ALL and given(context, name):
            needless = f"{word_of(context, name)} says how scans are read, and no scans are named"
    if not rolls and given(context, "bath_log"):
        needless = "--bath-log is about the batch of a roll, and no roll is named"
    for aim in aims if len(aims) == 1 else ():
        of_roll = aim.suffix.lower() == ".json"
        if not (rolls if of_roll else tables):
            wanted = "a roll, and no roll is" if of_roll else "readings, and no CSV file of them is"
            needless = f"--aim {aim} is to hold against {wanted} named"
    if needless:
        raise SettingsProblem(None, needless, "leave it out, or name what it is for")


def _check_chart(chart: Path | None, scans: Sequence[Path], others: Sequence[Path]) -> None:
    """Refuse a chart that can't be drawn before any work is done."""
    check_chart(chart)
    if chart is None:
        return
    tables = [path for path in others if path.suffix.lower() in READING_SUFFIXES]
    if len(tables) > 1 or not (tables or scans):
        found = "several CSV files are" if tables else "no CSV file of readings is"
        raise SettingsProblem(None, f"{found} named", "give one CSV file, or scans, with --chart")


@dataclass(frozen=True)
class _Aim:
    """What is right: readings of a reference strip, spots, or a good roll.

    `bath_log` is the log of batches to look the roll's batch up in.
    """

    control: "ControlReading | None" = None
    spots: "tuple[Spot, ...]" = ()
    roll: "Shown | None" = None
    bath_log: Path | None = None


def _aim(paths: Sequence[Path]) -> _Aim:
    """Return what is right by the files named: readings of one, or good rolls, together."""
    from pipeline.diagnosis import together

    if not paths:
        return _Aim()
    rolls = [_good_roll(path) for path in paths if path.suffix.lower() == ".json"]
    if len(rolls) == len(paths):
        for path, roll in zip(paths, rolls, strict=True):
            if why := roll.unlike(rolls[0]):
                remedy = "name good rolls of one film and scanner"
                raise SettingsProblem(path, f"is no aim beside {paths[0]}: {why}", remedy)
        return _Aim(roll=together(rolls))
    if len(paths) > 1:
        named = next(path for path in paths if path.suffix.lower() != ".json")
        remedy = "name several good rolls by their roll.json, or one file of readings"
        raise SettingsProblem(named, "is one of several aims and no record of a roll", remedy)
    return _aim_of_readings(paths[0])


def _good_roll(path: Path) -> "Shown":
    from pipeline.diagnosis import shown_of_record
    from pipeline.record import read_document

    try:
        roll = shown_of_record(read_document(path), path)
    except ScanProblem as problem:
        raise SettingsProblem(problem.path, problem.what, problem.remedy) from problem
    if not roll.signs.frames:
        raise SettingsProblem(path, "holds no pictures to aim by", "name the record of a good roll")
    return roll


def _aim_of_readings(path: Path) -> _Aim:
    """Return the aim in a file of readings: rows of strip 'aim', else its only strip and spots."""
    from pipeline.control import read_readings

    try:
        readings = read_readings(path)
    except ScanProblem as problem:
        raise SettingsProblem(problem.path, problem.what, problem.remedy) from problem
    if readings.aim is not None or readings.aim_spots:
        return _Aim(readings.aim, readings.aim_spots)
    if len(readings.controls) > 1:
        raise SettingsProblem(
            path,
            "holds several strips and none is the aim",
            "name one of them 'aim' in the column 'strip'",
        )
    if not readings.controls and not readings.spots:
        raise SettingsProblem(path, "holds no aim", "add rows of a strip named aim")
    return _Aim(readings.controls[0] if readings.controls else None, readings.spots)


def _of_file(path: Path, aim: _Aim) -> "Diagnosis":
    from pipeline.control import read_readings
    from pipeline.diagnosis import (
        Diagnosis,
        aim_of_log,
        diagnosis_of_readings,
        findings_of,
        with_batch,
    )
    from pipeline.record import read_document

    if path.suffix.lower() == ".json":
        document = read_document(path)
        found = findings_of(document, path, aim.roll or aim_of_log(aim.bath_log, document))
        batch = (document.get("roll") or {}).get("batch")
        return Diagnosis(str(path), "record", with_batch(found, batch, aim.bath_log))
    return diagnosis_of_readings(read_readings(path), aim.control, aim.spots)


def _of_scans(
    scans: Sequence[Path], options: dict[str, Any], talk: Talk, aim: _Aim
) -> "tuple[list[Diagnosis], list[Plot], list[Exit]]":
    """Return the diagnosis of each roll that could be surveyed, a plot of the first, exit codes."""
    from pipeline.diagnosis import Diagnosis, aim_of_log, with_batch
    from pipeline.record import by_weight, to_document
    from pipeline.report import densities_plot
    from pipeline.roll import record_of

    try:
        run = run_of(scans, options)
    except ScanProblem as problem:
        talk.say(str(problem))
        return [], [], [Exit.NOTHING_DONE]
    done: list[Diagnosis] = []
    plots: list[Plot] = []
    codes: list[Exit] = []
    for surveyed, code in run.surveys():
        codes.append(code)
        if surveyed is not None and surveyed.strips:
            roll, record = surveyed.roll, record_of(surveyed, aim=aim.roll)
            logged = None if aim.roll else aim_of_log(aim.bath_log, to_document(record))
            if logged is not None:
                record = record_of(surveyed, aim=logged)
            told = tuple(trouble.sentence() for trouble in record.problems)
            found = with_batch(by_weight(record.findings), roll.notes.batch, aim.bath_log)
            done.append(Diagnosis(roll.name, "scans", found, failed=surveyed.failed, problems=told))
            if record.frames() and not plots:
                plots.append(densities_plot(record))
    return done, plots, codes


def _echo(done: "Sequence[Diagnosis]", as_json: bool) -> None:
    from pipeline.bath import caution_text, cautions, leads_to_baths
    from pipeline.diagnosis import document_of, text_lines

    if as_json:
        documents = [
            {
                **document_of(each),
                "cautions": list(cautions().lines) if leads_to_baths(each.findings) else [],
            }
            for each in done
        ]
        if documents:
            echo_json(documents[0] if len(documents) == 1 else documents)
        return
    for line in text_lines(done):
        click.echo(line)
    if any(leads_to_baths(each.findings) for each in done):
        click.echo("")
        click.echo(caution_text(), nl=False)


def _plots_of(done: "Sequence[Diagnosis]") -> "list[Plot]":
    """Return the charts of control strips, then the curves of wedges."""
    from pipeline.report import control_plot, film_curve_plot

    plots = [control_plot(each.series) for each in done if each.series is not None]
    return plots + [film_curve_plot(curve) for each in done for curve in each.curves]


def _drawn(chart: Path, plots: "Sequence[Plot]", talk: Talk) -> Exit:
    """Write the first of the plots, or tell that there is none."""
    if not plots:
        told = "there are no control strips to draw, and no frames; read strips and give their aim"
        talk.say(f"{chart}: {told}.")
        return Exit.NOTHING_DONE
    try:
        write_chart(chart, plots[0])
    except OutputProblem as problem:
        talk.say(str(problem))
        return Exit.NOTHING_DONE
    return Exit.DONE
