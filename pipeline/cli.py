"""The command: words in, words out; all work is done by `roll`."""

import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from pipeline import __version__
from pipeline.problem import Exit, Problem, SettingsProblem
from pipeline.settings import (
    ARCHIVE_FORMATS,
    ARCHIVE_PACKING,
    ARCHIVE_SPACES,
    FORMATS,
    LOOKS,
    SHARE_FORMATS,
    triple,
)

if TYPE_CHECKING:
    from pipeline.roll import Event, Roll

Command = TypeVar("Command", bound=Callable[..., Any])


class ChannelValues(click.ParamType):
    """One number for all channels, or three for red, green and blue: 1.1 or 1,0.9,1.2."""

    name = "R,G,B"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the three numbers."""
        if isinstance(value, tuple):
            return value
        try:
            return triple("value", [float(part) for part in str(value).split(",")])
        except (ValueError, SettingsProblem):
            self.fail(f"{value!r} is not one number or three, as in 1.1 or 1,0.9,1.2", param, ctx)


def _reading_options(command: Command) -> Command:
    for option in reversed((
        click.option("--scan-gamma", type=float, metavar="G",
                     help="Tone curve of the scans as an exponent; 1 is linear. Default: as the files say."),
        click.option("--ppi", type=float, metavar="N",
                     help="Resolution of the scans. Default: as the files say, else from the film itself."),
        click.option("--format", type=click.Choice(FORMATS), help="Frame format. Default: as the film shows."),
        click.option("--base", type=ChannelValues(),
                     help="Density of the film base, instead of measuring it."),
        click.option("--profile", metavar="NAME", help="Film profile, or a .toml file. Default: generic."),
        click.option("--first-number", metavar="N",
                     help="Number of the first frame where the film's edge tells none."),
        click.option("--roll", "roll_name", metavar="NAME", help="Name of the roll, used in file names."),
        click.option("--workers", type=click.IntRange(1, 256), metavar="N",
                     help="Frames worked on at a time. Default: one a core."),
        click.option("--strict", is_flag=True, help="Stop at the first scan that can't be used."),
        click.option("-v", "--verbose", is_flag=True, help="Tell more."),
        click.option("--json", "as_json", is_flag=True, help="Print the result as JSON for a program."),
    )):  # fmt: skip
        command = option(command)
    return command


def _writing_options(command: Command) -> Command:
    for option in reversed((
        click.option("--look", type=click.Choice(LOOKS),
                     help="print: as a print looks. log: ACEScct, to edit. linear: scene light. Default: print."),
        click.option("--exposure", type=float, metavar="STOPS", help="Lighten (above 0) or darken the roll."),
        click.option("--balance", type=ChannelValues(),
                     help="Added to log10 exposure of red, green, blue; 0.02 is a slight change."),
        click.option("--black", type=ChannelValues(), help="Black point, display values 0 to 1."),
        click.option("--white", type=ChannelValues(), help="White point, display values 0 to 1."),
        click.option("--gamma", type=ChannelValues(), help="Gamma; above 1 lightens the middle tones."),
        click.option("--archive", type=click.Choice(ARCHIVE_FORMATS), help="Archive files. Default: tiff."),
        click.option("--archive-packing", type=click.Choice(ARCHIVE_PACKING),
                     help="How archive files are packed, all without loss. Default: deflate."),
        click.option("--archive-space", type=click.Choice(ARCHIVE_SPACES),
                     help="Colour space of archive prints. Default: romm-rgb."),
        click.option("--archive-size", type=int, metavar="PX", help="Longer side of archive files. Default: all there is."),
        click.option("--share", type=click.Choice(SHARE_FORMATS), help="Files to share. Default: jpeg."),
        click.option("--share-size", type=int, metavar="PX", help="Longer side of files to share. Default: 2400."),
        click.option("--share-quality", type=int, metavar="1-100", help="JPEG quality. Default: 92."),
    )):  # fmt: skip
        command = option(command)
    return command


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


@evenroll.command()
@_SCANS
@_OUT
@_reading_options
@_writing_options
@_BLANKS
def convert(scans: tuple[Path, ...], out: Path, **options: Any) -> int:
    """Convert scans to numbered positives, with sidecars, a contact sheet and a page."""
    return _write(scans, out, options, split=False)


@evenroll.command()
@_SCANS
@_OUT
@_reading_options
@click.option(
    "--archive-packing",
    type=click.Choice(ARCHIVE_PACKING),
    help="How files are packed. Default: deflate.",
)
@_BLANKS
def split(scans: tuple[Path, ...], out: Path, **options: Any) -> int:
    """Cut scans into single numbered negatives, straightened and otherwise untouched."""
    return _write(scans, out, options, split=True)


@evenroll.command()
@_SCANS
@_reading_options
def measure(scans: tuple[Path, ...], **options: Any) -> int:
    """Measure film base and densities, and write nothing."""
    from pipeline.record import to_document
    from pipeline.report import measure_table
    from pipeline.roll import record_of, survey_roll

    talk = _Talk(options.pop("verbose"))
    as_json, strict = options.pop("as_json"), options.pop("strict")
    rolls, workers = _rolls(scans, options)
    documents, code = [], Exit.DONE
    with _executor(workers) as executor:
        for roll in rolls:
            surveyed = survey_roll(roll, executor, talk.listen)
            talk.end()
            code = max(code, _code(len(surveyed.strips), surveyed.failed))
            record = record_of(surveyed)
            documents.append(to_document(record))
            if not as_json and surveyed.strips:
                click.echo(measure_table(record))
            if strict and surveyed.failed:
                break
    if as_json:
        click.echo(
            json.dumps(
                documents[0] if len(documents) == 1 else documents, ensure_ascii=False, indent=1
            )
        )
    return code


def _write(scans: tuple[Path, ...], out: Path, options: dict[str, Any], split: bool) -> int:
    from pipeline.report import summary_lines
    from pipeline.roll import survey_roll, write_roll
    from pipeline.write import check_folder

    talk = _Talk(options.pop("verbose"))
    as_json, strict = options.pop("as_json"), options.pop("strict")
    rolls, workers = _rolls(scans, options)
    check_folder(out)
    results, codes = [], []
    with _executor(workers) as executor:
        for roll, folder in zip(rolls, _folders(rolls, out), strict=True):
            try:
                surveyed = survey_roll(roll, executor, talk.listen)
                if strict and surveyed.failed:
                    codes.append(Exit.SOME_FAILED)
                    talk.end()
                    break
                outcome = write_roll(surveyed, folder, executor, talk.listen, split)
            except Problem as problem:
                if len(rolls) == 1:
                    raise _nothing(problem) from problem
                talk.say(str(problem))
                codes.append(Exit.NOTHING_DONE)
                continue
            talk.end()
            done = outcome.written + outcome.kept
            codes.append(_code(done if outcome.failed else 1, outcome.failed))
            results.append(
                {
                    "roll": roll.name,
                    "out": str(folder),
                    "written": outcome.written,
                    "kept": outcome.kept,
                    "failed": outcome.failed,
                    "problems": [item.message for item in outcome.record.problems],
                }
            )
            if not as_json:
                for line in summary_lines(outcome.record):
                    click.echo(line)
                click.echo(
                    f"{outcome.written} frames written, {outcome.kept} stood already: {folder}"
                )
    if as_json:
        click.echo(json.dumps(results, ensure_ascii=False, indent=1))
    return _overall(codes)


def _nothing(problem: Problem) -> Problem:
    if not isinstance(problem, SettingsProblem):
        problem.exit_code = Exit.NOTHING_DONE
    return problem


def _overall(codes: list[Exit]) -> Exit:
    if codes and all(code == Exit.NOTHING_DONE for code in codes):
        return Exit.NOTHING_DONE
    return Exit.SOME_FAILED if any(codes) else Exit.DONE


def _code(done: int, failed: int) -> Exit:
    if not failed:
        return Exit.DONE
    return Exit.SOME_FAILED if done else Exit.NOTHING_DONE


def _rolls(scans: tuple[Path, ...], options: dict[str, Any]) -> "tuple[tuple[Roll, ...], int]":
    from pipeline.roll_folder import gather_rolls

    workers = options.pop("workers") or os.cpu_count() or 1
    name = options.pop("roll_name")
    changes = {key: value for key, value in options.items() if value is not None}
    try:
        return gather_rolls(scans, changes, name), workers
    except Problem as problem:
        raise _nothing(problem) from problem


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


@contextmanager
def _executor(workers: int) -> Iterator[Executor]:
    executor = ThreadPoolExecutor(workers, thread_name_prefix="evenroll")
    try:
        yield executor
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


class _Talk:
    """Tells on stderr how far the work is: one changing line on a terminal, else only trouble."""

    def __init__(self, verbose: bool) -> None:
        self._verbose = verbose
        self._terminal = sys.stderr.isatty()
        self._open_line = False
        self._began: dict[str, float] = {}

    def say(self, text: str) -> None:
        self.end()
        click.echo(text, err=True)

    def end(self) -> None:
        if self._open_line:
            click.echo("", err=True)
            self._open_line = False

    def listen(self, event: "Event") -> None:
        if event.kind == "failed":
            self.say(event.message)
        elif event.kind == "noted":
            if self._verbose:
                self.say(f"{event.name}: {event.message}")
        elif event.kind == "kept":
            if self._verbose:
                self.say(f"{event.name}: stands already")
        elif self._terminal and not self._verbose:
            self._progress(event)
        elif self._verbose:
            self.say(f"{event.kind} {event.name} ({event.done} of {event.total})")

    def _progress(self, event: "Event") -> None:
        now = time.monotonic()
        began = self._began.setdefault(event.kind, now)
        left = ""
        if event.done > 1 and event.done < event.total:
            seconds = (now - began) / (event.done - 1) * (event.total - event.done)
            left = f", about {seconds:.0f} s left" if seconds >= 1 else ""
        doing = "scans looked at" if event.kind == "surveyed" else "frames written"
        click.echo(f"\r\x1b[K{event.done} of {event.total} {doing}{left}", err=True, nl=False)
        self._open_line = True
        if event.done == event.total:
            self.end()


def _interrupt(signum: int, frame: object) -> None:
    raise KeyboardInterrupt


def main(arguments: list[str] | None = None) -> None:
    """Run the command and leave with its exit code."""
    signal.signal(signal.SIGTERM, _interrupt)
    try:
        code = evenroll.main(args=arguments, prog_name="evenroll", standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("Interrupted; what is finished stays, and a rerun goes on from there.", err=True)
        code = Exit.INTERRUPTED
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except Problem as problem:
        click.echo(str(problem), err=True)
        code = problem.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        code = Exit.SOME_FAILED
    sys.exit(int(code or 0))


if __name__ == "__main__":
    main()
