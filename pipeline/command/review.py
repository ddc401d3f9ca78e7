"""`evenroll review`: one roll looked over and put right in a browser."""

import webbrowser
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from threading import Event as Flag
from threading import Thread
from typing import TYPE_CHECKING, Any

import click

from pipeline.command.naming import OptionNames
from pipeline.command.options import (
    colour_reference_option,
    file_option,
    film_options,
    scans_argument,
    verbose_option,
    workers_option,
    writing_options,
)
from pipeline.command.run import Run, gather_rolls, run_of
from pipeline.command.stop import Stops
from pipeline.problem import Exit, OutputProblem, SettingsProblem
from pipeline.whole_file import check_folder
from pipeline.words import natural_key

if TYPE_CHECKING:
    from pipeline.review import Desk
    from pipeline.settings import Roll

_PORT = 8127


@click.command("review", cls=OptionNames)
@scans_argument
@file_option("-o", "--out", help="Output folder; needed where SCANS are named.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=_PORT,
    metavar="N",
    help=f"Port of this machine; another where it is taken. Default: {_PORT}.",
)
@click.option("--watch", is_flag=True, help="Take in scans that come while the page is open.")
@click.option("--no-browser", is_flag=True, help="Open no browser; only print the address.")
@film_options
@colour_reference_option
@writing_options
@workers_option
@verbose_option
def review_command(
    scans: tuple[Path, ...], out: Path | None, port: int, watch: bool, no_browser: bool,
    **options: Any,
) -> int:  # fmt: skip
    """Look a roll over and put it right in the browser: cuts, numbers, colour and tone.

    SCANS are a folder of scans, to be converted into the output folder, or an output folder that
    convert made. Corrections go into roll.toml beside the scans; convert makes the same files of
    them. The page is served to this machine alone, until Ctrl-C.
    """
    from pipeline.review import check_installed

    # What comes next needs it.
    check_installed()
    from pipeline.review import Desk
    from pipeline.roll import workers

    again, out, run, fresh = _source(scans, out, options)
    check_folder(out)
    stops = click.get_current_context().find_object(Stops)
    if stops is not None:
        stops.take_as_usual(Exit.DONE)
    with workers(run.workers, None) as executor:
        desk = Desk(again, out, executor, run.talk.listen)
        run.talk.end()
        if fresh:
            desk.write()
        _serve(desk, port, not no_browser, run.rolls[0].beside if watch else None)
    return Exit.DONE


def _source(
    scans: tuple[Path, ...], out: Path | None, options: dict[str, Any]
) -> "tuple[Callable[[], Roll], Path, Run, bool]":
    """Return what reads the roll anew, its output folder, the run, and whether it is to be written.

    Raises Problem if scans or settings make no sense, or there is no roll or more than one.
    """
    from pipeline.roll import Journal

    fresh = out is not None
    named: tuple[Path, ...] = scans
    told: dict[str, Any] = {}
    if out is None:
        if len(scans) != 1 or not scans[0].is_dir():
            raise SettingsProblem(
                None, "there is no output folder", "name one by -o, or a folder that convert made"
            )
        out = scans[0]
        noted = Journal(out).roll
        named, told = _noted(out, noted)
    own = {name: value for name, value in options.items() if value is not None}
    run_words = {"verbose": own.pop("verbose", False), "workers": own.pop("workers", None)}
    changes = {**told, **own}
    name = changes.pop("roll_name", None)
    rest = {"as_json": False, "strict": False, "cluster": None, "roll_name": name}
    run = run_of(named, {**run_words, **rest, **changes})
    if len(run.rolls) != 1:
        raise SettingsProblem(None, f"{len(run.rolls)} rolls are named", "name one")

    def again() -> "Roll":
        (roll,) = gather_rolls(named, changes, name)
        return _with_lost(roll, named) if not fresh else roll

    return again, out, run, fresh


def _noted(out: Path, noted: Any) -> tuple[tuple[Path, ...], dict[str, Any]]:
    """Return the scans that a result was made of, and the settings that the command's words gave.

    Raises OutputProblem if the folder holds no result of one roll.
    """
    scans, told, beside = noted.get("scans"), noted.get("told"), noted.get("beside")
    right = isinstance(scans, list) and all(isinstance(each, str) for each in scans)
    if not right or not scans or not isinstance(told, dict):
        inner = sorted(path.parent.name for path in out.glob("*/roll.json"))
        if inner:
            what = f"holds the results of several rolls ({', '.join(inner[:4])})"
            raise OutputProblem(out, what, "name one of its folders")
        raise OutputProblem(
            out, "is no result of convert, or of an older one",
            "run evenroll review SCANS -o OUT with its scans",
        )  # fmt: skip
    paths = [Path(each) for each in scans]
    folder = None if not isinstance(beside, str) else Path(beside)
    if folder is not None and folder.is_dir() and all(path.parent == folder for path in paths):
        missing = [path for path in paths if not path.exists()]
        return (folder, *missing), told
    return tuple(paths), told


def _with_lost(roll: "Roll", named: tuple[Path, ...]) -> "Roll":
    """Return a roll with scans that have gone since, to be told of, in their places."""
    if roll.problem is not None:
        gone = tuple(path for path in named if not path.exists())
        if gone:
            return replace(roll, scans=gone, problem=None)
    return replace(roll, scans=tuple(sorted(roll.scans, key=lambda path: natural_key(path.name))))


def _serve(desk: "Desk", port: int, browser: bool, folder: Path | None) -> None:
    from pipeline.review import app_of, serve, take_address, watch

    address, stop = take_address(port), Flag()
    watching = None
    if folder is not None:
        watching = Thread(
            target=watch, args=(folder, lambda: desk.refresh(scans_too=True), stop), daemon=True
        )
        watching.start()

    def ready() -> None:
        click.echo(f"The roll is open at {address.url}")
        click.echo("Ctrl-C ends it; corrections are kept.")
        if browser:
            webbrowser.open(address.url)

    try:
        with suppress(KeyboardInterrupt):
            serve(lambda: app_of(desk), address, ready, desk.leave)
    finally:
        stop.set()
        if watching is not None:
            watching.join(2.0)
