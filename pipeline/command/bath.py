"""The command's words about batches of chemistry: mix, use, look at, correct, hand over."""

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import click

from pipeline.bath import Batch, BathLog, ConflictProblem, Use, Written, checked, default_log
from pipeline.command.chart import check_chart, check_in_folder, write_chart
from pipeline.command.naming import NamingGroup
from pipeline.command.options import ChannelValues, file_option, options
from pipeline.command.run import echo_json, exit_code
from pipeline.problem import Exit, Problem, SettingsProblem
from pipeline.words import counted

ENVIRONMENT_VARIABLE = "EVENROLL_BATH_LOG"

_JSON = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
_log_option = file_option(
    "--log",
    envvar=ENVIRONMENT_VARIABLE,
    help=f"The log. Default: ${ENVIRONMENT_VARIABLE}, else in your data folder.",
)
_batch_options = options(
    click.option("--on", "mixed", metavar="DATE", help="Day it was mixed, as in 2025-05-03."),
    click.option("--volume", "volume_ml", metavar="ML", help="Volume in millilitres."),
    click.option("--life-rolls", metavar="N", help="Rolls it does, by its maker's sheet."),
    click.option("--life-days", metavar="N", help="Days it keeps, by its maker's sheet."),
    click.option(
        "--temperature", "temperature_c", metavar="C", help="Of the developer, in degrees Celsius."
    ),
    click.option("--time", "time_s", metavar="M:S", help="Developer's time for a first roll."),
    click.option(
        "--compensation",
        "compensation_percent_per_roll",
        metavar="PERCENT",
        help="The maker's rule: so much more time for each roll done.",
    ),
    click.option("--notes", metavar="TEXT", help="Anything else."),
)
_roll_options = options(
    click.option("--on", "developed", metavar="DATE", help="Day it was developed."),
    click.option("--film", metavar="NAME", help="Which film; films differ in their edge print."),
    click.option("--rolls", metavar="N", help="Rolls it counts for. Default: 1."),
    click.option("--rolls-before", metavar="N", help="Rolls done before it. Default: by the log."),
    click.option(
        "--temperature", "temperature_c", metavar="C", help="Of the developer, in degrees Celsius."
    ),
    click.option("--time", "time_s", metavar="M:S", help="Time in the developer."),
    click.option("--edge-print", type=ChannelValues(), help="Edge print's density above base."),
    click.option("--base", type=ChannelValues(), help="Base density."),
    click.option("--contrast", type=ChannelValues(), help="Slope, density per log10 exposure."),
)


@click.group("bath", cls=NamingGroup)
def bath_group() -> None:
    """Keep a log of chemistry batches: what went through them, and when they are spent."""


@bath_group.command("mix")
@click.argument("batch")
@_batch_options
@_log_option
def mix(batch: str, log: Path | None, **values: Any) -> None:
    """Begin a batch, by any name that you give it."""
    from pipeline.bath import caution_text, noted_text

    made = checked(Batch, {"name": batch, "mixed": date.today(), **_given(values)})
    _check_past(made.mixed)
    book = _log(log)
    is_new = not book.path.exists()
    book.write([made], "new")
    click.echo(f"{made.name}: {noted_text(made)}.")
    click.echo(f"{'A new log was begun' if is_new else 'Noted in the log'}: {book.path}.")
    click.echo(f"\n{caution_text()}", nl=False)


@bath_group.command("change")
@click.argument("batch")
@_batch_options
@_log_option
def change(batch: str, log: Path | None, **values: Any) -> None:
    """Correct or add to what is noted of a batch."""
    from pipeline.bath import noted_text

    made = checked(Batch, {"name": batch, **_given(values)})
    _check_past(made.mixed)
    book = _log(log)
    book.batch(made.name)
    written = book.write([made], "fill")
    _echo_noted(made.name, noted_text(book.batch(made.name)[0]), written)


@bath_group.command("use")
@click.argument("batch")
@click.argument("roll")
@_roll_options
@_log_option
def use(batch: str, roll: str, log: Path | None, **values: Any) -> None:
    """Note a roll developed in a batch, or more about one noted before."""
    from pipeline.bath import caution_text, is_good, noted_text, state_text

    given = checked(Use, {"batch": batch, "roll": roll, **_given(values)})
    _check_past(given.developed)
    book = _log(log)
    written = book.write([given], "fill")
    found, uses = book.batch(given.batch)
    noted = next(use for use in uses if use.roll == given.roll)
    _echo_noted(f"{noted.roll} in {found.name}", noted_text(noted), written)
    click.echo(state_text(found, uses, date.today()))
    if not is_good(found, uses, date.today()):
        click.echo(f"\n{caution_text()}", nl=False)


@bath_group.command("add-roll")
@click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path))
@_log_option
def add_roll(records: tuple[Path, ...], log: Path | None) -> int:
    """Note finished rolls, with what was measured on them.

    RECORDS are roll.json files, or output folders that hold one. Each roll's roll.toml must name
    its batch under [batch]. A roll that is in the log already is brought up to date.
    """
    from pipeline.bath import entries_of_roll

    book, failed = _log(log), 0
    for path in records:
        try:
            batch, roll = entries_of_roll(path)
            written = book.write([batch, roll], "fill", settled=("mixed",))
        except Problem as problem:
            is_conflict = isinstance(problem, ConflictProblem)
            told = SettingsProblem(path, problem.what, problem.remedy) if is_conflict else problem
            click.echo(str(told), err=True)
            failed += 1
        else:
            state = "stands already" if written.new + written.changed == 0 else "noted"
            click.echo(f"{roll.roll} in {batch.name}: {state}.")
            _tell_elsewhere(book, roll)
    return exit_code(len(records) - failed, failed)


def _tell_elsewhere(book: BathLog, roll: Use) -> None:
    """Say where a roll also stands in another batch, as after a correction of its roll.toml."""
    for entry in book.entries():
        if isinstance(entry, Use) and entry.roll == roll.roll and entry.batch != roll.batch:
            click.echo(
                f"Roll {roll.roll} also stands in batch '{entry.batch}'; if that is wrong, "
                f"'evenroll bath remove' takes it out.",
                err=True,
            )


@bath_group.command("list")
@_JSON
@_log_option
def list_batches(log: Path | None, as_json: bool) -> None:
    """List the batches, and how they stand."""
    from pipeline.bath import list_document, list_text

    book = _log(log)
    entries = book.entries()
    if as_json:
        echo_json(list_document(entries, date.today()))
    elif entries:
        click.echo(list_text(entries, date.today()))
    else:
        click.echo(f"{book.path} holds no batch yet; begin one with 'evenroll bath mix'.")


@bath_group.command("show")
@click.argument("batch")
@file_option("--chart", metavar="FILE", help="Also draw the trend, as .svg or .png.")
@_JSON
@_log_option
def show(batch: str, log: Path | None, chart: Path | None, as_json: bool) -> int:
    """Tell all about a batch: its rolls, the trend of their figures, and how long it lasts."""
    from pipeline.bath import batch_document, caution_text, show_text

    check_chart(chart)
    found, uses = _log(log).batch(_name(batch))
    if as_json:
        echo_json(batch_document(found, uses, date.today()))
    else:
        click.echo(show_text(found, uses, date.today()))
        click.echo(caution_text(), nl=False)
    return Exit.DONE if chart is None else _drawn(found, uses, chart)


def _drawn(batch: Batch, uses: tuple[Use, ...], path: Path) -> Exit:
    """Draw a batch's trend, or tell that it has none."""
    from pipeline.bath import trend
    from pipeline.report import trend_plot

    made = trend(batch, uses)
    if made is None:
        what = f"batch '{batch.name}' has no trend to draw"
        remedy = "note its maker's number of rolls, or rolls with a measured edge print"
        click.echo(str(SettingsProblem(None, what, remedy)), err=True)
        return Exit.SOME_FAILED
    write_chart(path, trend_plot(made))
    return Exit.DONE


@bath_group.command("remove")
@click.argument("batch")
@click.argument("roll", required=False)
@_log_option
def remove(batch: str, roll: str | None, log: Path | None) -> None:
    """Take a roll out of the log, or a batch with all its rolls."""
    rolls = _log(log).remove(_name(batch), None if roll is None else _name(roll))
    whole = f"batch {batch} with {counted(rolls, 'roll')}"
    what = whole if roll is None else f"roll {roll} of {batch}"
    click.echo(f"Removed {what}; 'evenroll bath undo' brings it back.")


@bath_group.command("undo")
@_log_option
def undo(log: Path | None) -> None:
    """Take back the last change of the log; again, the one before."""
    click.echo(f"The last change is taken back, of {', '.join(_log(log).undo())}.")


@bath_group.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Overwrite entries that the log holds otherwise.")
@_log_option
def import_csv(file: Path, log: Path | None, replace: bool) -> None:
    """Take over batches and rolls from a CSV file, all of them or none.

    Entries that the log holds already are passed over. The columns are those that export writes,
    in any order; those that say nothing may be missing.
    """
    from pipeline.bath import read_csv

    lines = read_csv(file)
    entries = [entry for _, entry in lines]
    try:
        written = _log(log).write(entries, "replace" if replace else "same")
    except SettingsProblem as problem:
        at = [n for n, entry in lines if entry is getattr(problem, "entry", None)]
        what = f"line {at[0]}: {problem.what}" if at else problem.what
        raise SettingsProblem(file, what, problem.remedy) from problem
    _echo_written(written)


@bath_group.command("export")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@_log_option
def export_csv(file: Path | None, log: Path | None) -> None:
    """Write the whole log as CSV, to FILE or to standard output."""
    from pipeline.bath import csv_text
    from pipeline.whole_file import write_text

    text = csv_text(_log(log).entries())
    if file is None:
        click.echo(text.encode("utf-8"), nl=False)
    else:
        write_text(file, text)
        entries = text.count("\n") - 1
        click.echo(f"{file}: {entries} {'entry' if entries == 1 else 'entries'}.")


def _log(path: Path | None) -> BathLog:
    """Return the log; a slip in the name of its folder must not begin another one."""
    if path is not None:
        check_in_folder(path, "--log")
    return BathLog(default_log() if path is None else path)


def _check_past(day: date | None) -> None:
    """Refuse a day that is still to come, wherever on earth it is noted."""
    if day is not None and day > date.today() + timedelta(days=1):
        raise SettingsProblem(None, f"--on is {day}, which is still to come", "correct the day")


def _name(text: str) -> str:
    """Return a name as the log holds it."""
    return checked(Batch, {"name": text}).name


def _given(values: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}


def _echo_noted(name: str, noted: str, written: Written) -> None:
    if written.new + written.changed:
        click.echo(f"{name}: {noted}.")
    else:
        click.echo(f"{name}: stood so already ({noted}).")


def _echo_written(written: Written) -> None:
    click.echo(f"{written.new} new, {written.changed} changed, {written.same} stood already.")
