"""The command: words in, words out; all work is done by `roll`."""

import gc
import sys
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline import __version__
from pipeline.command.bath import bath_group
from pipeline.command.diagnose import diagnose_command
from pipeline.command.manual import help_command
from pipeline.command.naming import NamingGroup
from pipeline.command.options import (
    file_option,
    options,
    packing_options,
    reading_options,
    scans_argument,
    writing_options,
)
from pipeline.command.profile import profile_group
from pipeline.command.review import review_command
from pipeline.command.run import Run, echo_json, exit_code, overall, run_of
from pipeline.command.stop import Stops
from pipeline.problem import ClusterProblem, Exit, Problem, SettingsProblem
from pipeline.words import printable

if TYPE_CHECKING:
    from pipeline.event import Event, Listener
    from pipeline.report import Beside
    from pipeline.roll import Ahead, Outcome, SurveyedRoll, Wanted
    from pipeline.settings import Roll


# What the compiler loads are very many objects that stay: looking for garbage among them as often
# as Python does by itself takes a thirtieth of a small roll's time.
_OBJECTS_BEFORE_COLLECTION = 20_000
# A thread that comes out of a compiled loop waits so long for one that is busy in Python. By itself
# Python has five times that, longer than most loops take, and the processor stands idle meanwhile.
_LONGEST_TURN_SECONDS = 0.001
_OUT = file_option("-o", "--out", required=True, help="Output folder.")
_WHICH = options(
    click.option(
        "--only",
        metavar="FRAMES",
        default="",
        callback=lambda _context, _option, told: tuple(told.replace(",", " ").split()),
        help="Write these frames alone, as in 05,07-12; the others stay as they are.",
    ),
    click.option(
        "--dry-run",
        is_flag=True,
        help="Write nothing; tell what would be written, left and refused.",
    ),
)
_REPLACE = click.option(
    "--replace",
    "replace_changed",
    is_flag=True,
    help="Make files anew that you changed since they were written, and put this result in the "
    "place of one of another kind (split, another look). Default: leave them.",
)
_MOST_NAMED = 10
# Memory: what is seen of a roll waits for its turn, and a second one takes 40 to 100 MB. More would
# wait for this process, which takes 0.6 s itself for the smallest roll.
_MOST_ROLLS_AHEAD = 2
_BLANKS = click.option("--write-blanks", is_flag=True, default=None, help="Write blank frames too.")


@click.group(
    cls=NamingGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="evenroll")
def evenroll() -> None:
    """Turn scans of colour negative strips into positives, one rendition over the whole roll.

    SCANS are folders (each a roll, with its notes in roll.toml) and files.
    """


evenroll.add_command(profile_group)
evenroll.add_command(diagnose_command)
evenroll.add_command(bath_group)
evenroll.add_command(review_command)
evenroll.add_command(help_command)


@evenroll.command()
@scans_argument
@_OUT
@reading_options
@writing_options
@_BLANKS
@_WHICH
@_REPLACE
@file_option(
    "--readings",
    metavar="FILE",
    help="CSV file of densitometer readings to draw on the page: control strips, wedges.",
)
@file_option(
    "--bath-log",
    metavar="FILE",
    help="Log of chemistry batches, to draw the trend of the roll's batch on the page.",
)
def convert(scans: tuple[Path, ...], out: Path, **options: Any) -> int:
    """Convert scans to numbered positives, with sidecars, a contact sheet and a page.

    SCANS are folders, each a roll, and files, which make one roll together. Several rolls get a
    folder each in the output folder. A rerun does only what is missing or has changed.
    """
    return _write(scans, out, options)


@evenroll.command()
@scans_argument
@_OUT
@reading_options
@packing_options
@_BLANKS
@_WHICH
@_REPLACE
def split(scans: tuple[Path, ...], out: Path, **options: Any) -> int:
    """Cut scans into single numbered negatives, straightened and otherwise untouched.

    SCANS are folders, each a roll, and files, which make one roll together.
    """
    return _write(scans, out, options, split=True)


@evenroll.command()
@scans_argument
@reading_options
@click.option("--csv", "as_csv", is_flag=True, help="Print a line for each frame as CSV.")
def measure(scans: tuple[Path, ...], as_csv: bool, **options: Any) -> int:
    """Measure film base and densities, and write nothing.

    SCANS are folders, each a roll, and files, which make one roll together. The result is a
    table, or with --json what roll.json holds; a list of that for several rolls; or with --csv a
    line for each frame.
    """
    from pipeline.record import to_document
    from pipeline.report import measure_csv, measure_table
    from pipeline.roll import record_of

    run = run_of(scans, options)
    documents, codes = [], []
    for surveyed, code in run.surveys():
        codes.append(code)
        if surveyed is not None:
            record = record_of(surveyed)
            documents.append(to_document(record))
            if surveyed.strips and as_csv:
                click.echo(measure_csv(record, head=len(documents) == 1), nl=False)
            elif surveyed.strips and not run.as_json:
                click.echo(measure_table(record))
    if run.as_json and documents and not as_csv:
        echo_json(documents[0] if len(run.rolls) == 1 else documents)
    return overall(codes)


def _write(scans: tuple[Path, ...], out: Path, options: dict[str, Any], split: bool = False) -> int:
    from pipeline.report import Beside
    from pipeline.roll import Ahead, ClusterExecutor, Wanted, workers
    from pipeline.whole_file import check_folder, check_folder_to_be

    which = {name: options.pop(name) for name in ("replace_changed", "only", "dry_run")}
    want = Wanted(split, **which)
    beside = Beside(options.pop("readings", None), options.pop("bath_log", None))
    run = run_of(scans, options)
    out = out.absolute() if run.cluster else out
    (check_folder_to_be if want.dry_run else check_folder)(out)
    results: list[dict[str, Any]] = []
    codes: list[Exit] = []
    shared = [*([] if want.dry_run else [out]), *run.seen()]
    with workers(run.workers, run.cluster, shared) as executor:
        writing = _Writing(run, _folders(run.rolls, out), want, beside)
        hands = executor.hands if isinstance(executor, ClusterExecutor) else run.workers
        many = max(1, min(hands, _MOST_ROLLS_AHEAD))
        with Ahead(writing.survey, executor, len(run.rolls), many) as ahead:
            for index, (roll, folder) in enumerate(zip(run.rolls, writing.folders, strict=True)):
                try:
                    outcome, code, problems = writing.write(index, executor, ahead)
                except ClusterProblem as problem:
                    # The rolls that are left would fare no better.
                    codes.append(run.told(problem))
                    results.append(_result(roll, folder, None, [str(problem)]))
                    break
                codes.append(code)
                results.append(_result(roll, folder, outcome, problems))
                if outcome is not None and not run.as_json:
                    _echo_summary(outcome, folder, want.dry_run)
                if run.strict and code != Exit.DONE:
                    break
    if run.as_json:
        echo_json(results)
    return overall(codes)


@dataclass(frozen=True)
class _Writing:
    """A run that writes what is wanted of its rolls, each into its folder."""

    run: Run
    folders: list[Path]
    want: "Wanted"
    beside: "Beside"

    def survey(
        self, index: int, executor: Executor, listen: "Listener"
    ) -> "Outcome | SurveyedRoll":
        """Return what stands of a roll if nothing has changed, else its survey.

        Raises Problem as `survey_roll` does.
        """
        from pipeline.roll import Journal, standing, survey_roll

        roll, folder = self.run.rolls[index], self.folders[index]
        # Files beside the rolls may have changed.
        stood = (
            None if self.beside or self.want.dry_run
            else standing(roll, folder, listen, self.want)
        )  # fmt: skip
        return stood or survey_roll(roll, executor, listen, Journal(folder).known_hash)

    def write(
        self, index: int, executor: Executor, ahead: "Ahead[Outcome | SurveyedRoll]"
    ) -> "tuple[Outcome | None, Exit, list[str]]":
        """Do one roll; return what was left of it, its exit code, and its problems."""
        from pipeline.report import drawings_of
        from pipeline.roll import Outcome, write_roll

        def listen(event: "Event") -> None:
            # By then all of the roll's frames are in the queue, before the next rolls' scans.
            if event.kind == "written":
                ahead.begin(index + 1)
            self.run.talk.listen(event)

        roll, folder = self.run.rolls[index], self.folders[index]
        try:
            surveyed = ahead.take(index, self.run.talk.listen)
            problems = [trouble.sentence() for trouble in surveyed.problems]
            if isinstance(surveyed, Outcome):
                return surveyed, Exit.DONE, problems
            if not surveyed.strips or (self.run.strict and surveyed.failed):
                self.run.talk.end()
                return None, Exit.NOTHING_DONE, problems
            drawings = drawings_of(roll.notes.batch, self.beside)
            outcome = write_roll(surveyed, folder, executor, listen, self.want, drawings)
        except ClusterProblem:
            raise
        except Problem as problem:
            return None, self.run.told(problem), [str(problem)]
        self.run.talk.end()
        code = exit_code(outcome.written + outcome.to_write + outcome.kept, outcome.failed)
        return outcome, code, [trouble.sentence() for trouble in outcome.problems]


def _result(
    roll: "Roll", folder: Path, outcome: "Outcome | None", problems: list[str]
) -> dict[str, Any]:
    return {
        "roll": roll.name,
        "out": str(folder),
        "written": outcome.written if outcome else 0,
        "kept": outcome.kept if outcome else 0,
        "to_write": outcome.to_write if outcome else 0,
        "failed": outcome.failed if outcome else len(roll.scans),
        "changed": list(outcome.changed) if outcome else [],
        "cautions": list(outcome.cautions) if outcome else [],
        "problems": problems,
    }


def _echo_summary(outcome: "Outcome", folder: Path, dry_run: bool) -> None:
    for line in outcome.lines:
        click.echo(line)
    if dry_run:
        click.echo(f"Nothing was written: {folder}")
        return
    if outcome.changed:
        names = ", ".join(outcome.changed[:_MOST_NAMED])
        more = len(outcome.changed) - _MOST_NAMED
        others = f" and {more} more" if more > 0 else ""
        click.echo(f"left as you changed them: {names}{others} (--replace makes them anew)")
    if outcome.cautions:
        from pipeline.bath import caution_text

        click.echo(f"\n{caution_text()}")
    click.echo(f"{outcome.written} written now, {outcome.kept} stood already: {folder}")


def _folders(rolls: "tuple[Roll, ...]", out: Path) -> list[Path]:
    """Return the output folder itself for one roll, else a folder in it for each."""
    if len(rolls) == 1:
        return [out]
    folders: list[Path] = []
    for roll in rolls:
        names = chain([roll.name], (f"{roll.name}-{number}" for number in count(2)))
        folders.append(next(out / name for name in names if out / name not in folders))
    return folders


def main(arguments: list[str] | None = None) -> None:
    """Run the command and leave with its exit code."""
    gc.set_threshold(_OBJECTS_BEFORE_COLLECTION)
    sys.setswitchinterval(_LONGEST_TURN_SECONDS)
    with Stops() as stops:
        sys.exit(_run(arguments, stops))


def _run(arguments: list[str] | None, stops: Stops) -> int:
    """Run the command and return its exit code; what went wrong is told."""
    try:
        code = evenroll.main(args=arguments, prog_name="evenroll", standalone_mode=False, obj=stops)
    except (click.exceptions.Abort, KeyboardInterrupt):
        stops.tell()
        code = stops.code
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except Problem as problem:
        click.echo(printable(problem), err=True)
        is_usage = isinstance(problem, SettingsProblem)
        code = problem.exit_code if is_usage else Exit.NOTHING_DONE
    return int(code or 0)


if __name__ == "__main__":
    main()
