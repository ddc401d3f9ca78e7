"""The command: words in, words out; all work is done by `roll`."""

import gc
import json
import signal
import sys
from concurrent.futures import Executor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline import __version__
from pipeline.bath_command import bath_group
from pipeline.diagnose_command import diagnose_command
from pipeline.options import packing_option, reading_options, writing_options
from pipeline.problem import Exit, Problem, SettingsProblem
from pipeline.profile_command import profile_group
from pipeline.roll_run import Run, exit_code, overall, run_of
from pipeline.words import printable

if TYPE_CHECKING:
    from pipeline.drawings import Beside
    from pipeline.roll_ahead import Ahead
    from pipeline.roll_survey import Event, Listener, Roll, SurveyedRoll
    from pipeline.standing import Outcome

# What ends a run in order: Ctrl-C, a supervisor's wish, and a terminal that closes.
_STOPS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
# What the compiler loads are very many objects that stay: looking for garbage among them as often
# as Python does by itself takes a thirtieth of a small roll's time.
_OBJECTS_BEFORE_COLLECTION = 20_000
_SCANS = click.argument("scans", nargs=-1, required=True, type=click.Path(path_type=Path))
_OUT = click.option(
    "-o", "--out", required=True, type=click.Path(path_type=Path), help="Output folder."
)
_BLANKS = click.option("--write-blanks", is_flag=True, default=None, help="Write blank frames too.")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="evenroll")
def evenroll() -> None:
    """Turn scans of colour negative strips into positives, one rendition over the whole roll.

    SCANS are folders (each a roll, with its notes in roll.toml) and files.
    """


evenroll.add_command(profile_group)
evenroll.add_command(diagnose_command)
evenroll.add_command(bath_group)


@evenroll.command()
@_SCANS
@_OUT
@reading_options
@writing_options
@_BLANKS
@click.option(
    "--readings",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="CSV file of densitometer readings to draw on the page: control strips, wedges.",
)
@click.option(
    "--bath-log",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Log of chemistry batches, to draw the trend of the roll's batch on the page.",
)
def convert(scans: tuple[Path, ...], out: Path, **options: Any) -> int:
    """Convert scans to numbered positives, with sidecars, a contact sheet and a page.

    SCANS are folders, each a roll, and files, which make one roll together. Several rolls get a
    folder each in the output folder. A rerun does only what is missing or has changed.
    """
    return _write(scans, out, options, split=False)


@evenroll.command()
@_SCANS
@_OUT
@reading_options
@packing_option
@_BLANKS
def split(scans: tuple[Path, ...], out: Path, **options: Any) -> int:
    """Cut scans into single numbered negatives, straightened and otherwise untouched.

    SCANS are folders, each a roll, and files, which make one roll together.
    """
    return _write(scans, out, options, split=True)


@evenroll.command()
@_SCANS
@reading_options
def measure(scans: tuple[Path, ...], **options: Any) -> int:
    """Measure film base and densities, and write nothing.

    SCANS are folders, each a roll, and files, which make one roll together. The result is a
    table, or with --json what roll.json holds; a list of that for several rolls.
    """
    from pipeline.measure_table import measure_table
    from pipeline.record import to_document
    from pipeline.roll_record import record_of
    from pipeline.roll_survey import survey_roll
    from pipeline.workers import workers

    run = run_of(scans, options)
    documents, codes = [], []
    with workers(run.workers, run.cluster, run.seen()) as executor:
        for roll in run.rolls:
            try:
                surveyed = survey_roll(roll, executor, run.talk.listen)
            except Problem as problem:
                codes.append(run.told(problem))
                continue
            run.talk.end()
            record = record_of(surveyed)
            documents.append(to_document(record))
            codes.append(exit_code(len(surveyed.strips), surveyed.failed))
            if not run.as_json and surveyed.strips:
                click.echo(measure_table(record))
            if run.strict and surveyed.failed:
                break
    if run.as_json and documents:
        _echo_json(documents[0] if len(run.rolls) == 1 else documents)
    return overall(codes)


def _write(scans: tuple[Path, ...], out: Path, options: dict[str, Any], split: bool) -> int:
    from pipeline.drawings import Beside
    from pipeline.roll_ahead import Ahead
    from pipeline.whole_file import check_folder
    from pipeline.workers import workers

    beside = Beside(options.pop("readings", None), options.pop("bath_log", None))
    run = run_of(scans, options)
    out = out.absolute() if run.cluster else out
    check_folder(out)
    results: list[dict[str, Any]] = []
    codes: list[Exit] = []
    with workers(run.workers, run.cluster, [out, *run.seen()]) as executor:
        folders = _folders(run.rolls, out)

        def survey(index: int, executor: Executor, listen: "Listener") -> "Outcome | SurveyedRoll":
            again = not beside
            return _surveyed(run.rolls[index], folders[index], executor, listen, split, again)

        with Ahead(survey, executor, len(run.rolls)) as ahead:
            for index, (roll, folder) in enumerate(zip(run.rolls, folders, strict=True)):
                outcome, code, problems = _written(
                    run, index, folder, executor, split, beside, ahead
                )
                codes.append(code)
                results.append(_result(roll, folder, outcome, problems))
                if outcome is not None and not run.as_json:
                    _echo_summary(outcome, folder)
                if run.strict and code != Exit.DONE:
                    break
    if run.as_json:
        _echo_json(results)
    return overall(codes)


def _surveyed(
    roll: "Roll", folder: Path, executor: Executor, listen: "Listener", split: bool, again: bool
) -> "Outcome | SurveyedRoll":
    """Return what stands of a roll if `again` allows it and nothing has changed, else its survey.

    Raises
    ------
    Problem
        As `survey_roll` does.
    """
    from pipeline.journal import Journal
    from pipeline.roll_survey import survey_roll
    from pipeline.standing import standing

    stood = standing(roll, folder, listen, split) if again else None
    if stood is not None:
        return stood
    return survey_roll(roll, executor, listen, Journal(folder).known_hash)


def _written(
    run: Run,
    index: int,
    folder: Path,
    executor: Executor,
    split: bool,
    beside: "Beside",
    ahead: "Ahead[Outcome | SurveyedRoll]",
) -> "tuple[Outcome | None, Exit, list[str]]":
    """Do one roll; return what was left of it, the exit code it calls for, and its problems."""
    from pipeline.drawings import drawings_of
    from pipeline.roll import write_roll
    from pipeline.standing import Outcome

    def listen(event: "Event") -> None:
        # By then all of the roll's frames are in the queue, before the next roll's scans.
        if event.kind == "written":
            ahead.begin(index + 1)
        run.talk.listen(event)

    roll = run.rolls[index]
    try:
        surveyed = ahead.take(index, run.talk.listen)
        if isinstance(surveyed, Outcome):
            return surveyed, Exit.DONE, [trouble.message for trouble in surveyed.problems]
        problems = [trouble.message for trouble in surveyed.problems]
        if not surveyed.strips or (run.strict and surveyed.failed):
            run.talk.end()
            return None, Exit.NOTHING_DONE, problems
        drawings = drawings_of(roll.notes.batch, beside)
        outcome = write_roll(surveyed, folder, executor, listen, split, drawings)
    except Problem as problem:
        return None, run.told(problem), [str(problem)]
    run.talk.end()
    code = exit_code(outcome.written + outcome.kept, outcome.failed)
    return outcome, code, [trouble.message for trouble in outcome.problems]


def _result(
    roll: "Roll", folder: Path, outcome: "Outcome | None", problems: list[str]
) -> dict[str, Any]:
    written, kept, failed = (
        (outcome.written, outcome.kept, outcome.failed) if outcome else (0, 0, len(roll.scans))
    )
    return {
        "roll": roll.name,
        "out": str(folder),
        "written": written,
        "kept": kept,
        "failed": failed,
        "problems": problems,
    }


def _echo_summary(outcome: "Outcome", folder: Path) -> None:
    for line in outcome.lines:
        click.echo(line)
    click.echo(f"{outcome.written} written now, {outcome.kept} stood already: {folder}")


def _echo_problem(problem: Problem) -> None:
    click.echo(printable(problem), err=True)


def _echo_json(document: Any) -> None:
    click.echo(json.dumps(document, ensure_ascii=False, indent=1))


def _folders(rolls: "tuple[Roll, ...]", out: Path) -> list[Path]:
    """Return the output folder itself for one roll, else a folder in it for each."""
    if len(rolls) == 1:
        return [out]
    folders: list[Path] = []
    for roll in rolls:
        folder, count = out / roll.name, 2
        while folder in folders:
            folder, count = out / f"{roll.name}-{count}", count + 1
        folders.append(folder)
    return folders


def _interrupt(signum: int, frame: object) -> None:
    """End the run in order; a second signal ends it at once, which loses no more than time."""
    for stop in _STOPS:
        signal.signal(stop, signal.SIG_DFL)
    raise KeyboardInterrupt


def _listen_to_signals() -> None:
    for stop in _STOPS:
        # What started the command may want it to go on, as nohup does.
        if signal.getsignal(stop) is not signal.SIG_IGN:
            signal.signal(stop, _interrupt)


def main(arguments: list[str] | None = None) -> None:
    """Run the command and leave with its exit code."""
    _listen_to_signals()
    gc.set_threshold(_OBJECTS_BEFORE_COLLECTION)
    try:
        code = evenroll.main(args=arguments, prog_name="evenroll", standalone_mode=False)
    except (click.exceptions.Abort, KeyboardInterrupt):
        click.echo("Interrupted; what is finished stays, and a rerun goes on from there.", err=True)
        code = Exit.INTERRUPTED
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except SettingsProblem as problem:
        _echo_problem(problem)
        code = problem.exit_code
    except Problem as problem:
        _echo_problem(problem)
        code = Exit.NOTHING_DONE
    sys.exit(int(code or 0))


if __name__ == "__main__":
    main()
