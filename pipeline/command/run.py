"""A run of the command: rolls out of what the user names, what is said on stderr, exit codes."""

import json
import os
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.command.folder import leads_out, scans_in, seen
from pipeline.event import Event
from pipeline.problem import ClusterProblem, Exit, Problem, ScanProblem, SettingsProblem
from pipeline.settings import (
    ROLL_FILE,
    Roll,
    RollNotes,
    Settings,
    read_roll_file,
    safe_name,
    with_changes,
)
from pipeline.words import printable

if TYPE_CHECKING:
    from pipeline.roll import SurveyedRoll


USER_FILE = "settings.toml"
# Settings that may name a file.
_FILES = ("profile", "scanner_profile", "base_scan")
# Notes that are true of all of a user's rolls.
_OWN_NOTES = ("photographer", "copyright", "camera", "lens", "place")


@dataclass(frozen=True)
class Run:
    """What the user asked for, apart from the settings of the rolls."""

    rolls: tuple[Roll, ...]
    workers: int
    cluster: str | None
    talk: "Talk"
    as_json: bool
    strict: bool

    def seen(self) -> list[Path]:
        """Return the scans that are there for this machine."""
        return [path for roll in self.rolls for path in roll.scans if seen(path.exists)]

    def told(self, problem: Problem) -> Exit:
        """Tell why nothing could be done for a roll.

        Raises SettingsProblem if it is a wrong setting of the only roll, which is wrong usage.
        """
        if isinstance(problem, SettingsProblem) and len(self.rolls) == 1:
            raise problem
        self.talk.say(str(problem))
        return Exit.NOTHING_DONE

    def surveys(self) -> "Iterator[tuple[SurveyedRoll | None, Exit]]":
        """Yield each roll's survey, None where it has none, and its exit code.

        With --strict, a roll with a scan that failed has none, and is the last. So is one at which
        the cluster has gone.
        """
        from pipeline.roll import survey_roll, workers

        with workers(self.workers, self.cluster, self.seen()) as executor:
            for roll in self.rolls:
                try:
                    surveyed = survey_roll(roll, executor, self.talk.listen)
                except ClusterProblem as problem:
                    yield None, self.told(problem)
                    return
                except Problem as problem:
                    yield None, self.told(problem)
                    continue
                self.talk.end()
                if self.strict and surveyed.failed:
                    yield None, Exit.NOTHING_DONE
                    return
                yield surveyed, exit_code(len(surveyed.strips), surveyed.failed)


def run_of(scans: Sequence[Path], options: dict[str, Any]) -> Run:
    """Return the run that a command's words ask for; `options` are those of `scan_options`.

    Raises ScanProblem or SettingsProblem if there are no scans, or a setting makes no sense.
    """
    talk = Talk(options.pop("verbose"))
    as_json, strict = options.pop("as_json"), options.pop("strict")
    workers = options.pop("workers") or os.cpu_count() or 1
    name, cluster = options.pop("roll_name"), options.pop("cluster")
    changes = {key: value for key, value in options.items() if value is not None}
    # Other machines start from other folders.
    named = [path.absolute() for path in scans] if cluster else scans
    return Run(gather_rolls(named, changes, name), workers, cluster, talk, as_json, strict)


def echo_json(document: Any) -> None:
    """Print a document."""
    click.echo(json.dumps(document, ensure_ascii=False, indent=1))


def exit_code(done: int, failed: int) -> Exit:
    """Return the exit code of a roll with so many things done and failed."""
    if not failed:
        return Exit.DONE
    return Exit.SOME_FAILED if done else Exit.NOTHING_DONE


def overall(codes: Sequence[Exit]) -> Exit:
    """Return the exit code of several rolls or inputs together."""
    if codes and all(code == Exit.NOTHING_DONE for code in codes):
        return Exit.NOTHING_DONE
    return Exit.SOME_FAILED if any(codes) else Exit.DONE


def _users_own() -> tuple[RollNotes, Settings]:
    """Return notes and settings that the user gives for all rolls, before those of each.

    They lie in the platform's folder for settings, as the XDG base directory specification says,
    or %APPDATA%, or Application Support.
    """
    path = Path(click.get_app_dir("evenroll")) / USER_FILE
    if not path.is_file():
        return RollNotes(), Settings()
    notes, told = read_roll_file(path)
    for name, value in vars(notes).items():
        if value and name not in _OWN_NOTES:
            key = next(iter(value)) if name == "other" else name
            what = f"key '{key}' is no setting for all rolls"
            raise SettingsProblem(path, what, f"put it into the {ROLL_FILE} of its roll")
    return notes, with_changes(Settings(), _placed(told, path.parent), path)


def _placed(told: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Return settings that a folder's words gave, the files among them found from any folder."""
    named = {key: told[key] for key in _FILES if isinstance(told.get(key), str)}
    files = {
        key: str(folder.absolute() / name)
        for key, name in named.items()
        if name.strip() and (name.endswith(".toml") or key == "base_scan")
    }
    return {**told, **files}


def _roll(
    scans: tuple[Path, ...], beside: Path, changes: Mapping[str, Any], name: str | None
) -> Roll:
    notes, settings = _users_own()
    roll_file = beside / ROLL_FILE
    if leads_out(roll_file, beside):
        raise SettingsProblem(
            roll_file, "is a link that leads out of its folder or nowhere", "put the file there"
        )
    if seen(roll_file.exists):
        own, told = read_roll_file(roll_file)
        notes = replace(own, **{n: getattr(own, n) or getattr(notes, n) for n in _OWN_NOTES})
        settings = with_changes(settings, _placed(told, beside), roll_file)
    changes = _placed(changes, Path())
    settings = with_changes(settings, changes)
    if settings.base_scan is not None:
        clear = Path(settings.base_scan).resolve()
        scans = tuple(scan for scan in scans if scan.resolve() != clear)
    called = safe_name(name or notes.id or beside.resolve().name)
    told = {**changes, "roll_name": name} if name else dict(changes)
    return Roll(called, scans, notes, settings, beside=beside, told=told)


def gather_rolls(
    paths: Sequence[Path], changes: Mapping[str, Any], name: str | None = None
) -> tuple[Roll, ...]:
    """Return the rolls that the user named: each folder is one, and all single files are one.

    A file that is not there is left to the survey, and a folder without scans is a roll with a
    problem, so that neither stands in the way of the others. `changes` are settings from the
    command, which go before those of roll.toml; so does the `name`, and before the folder's.

    Raises ScanProblem if none of the paths is there. Raises SettingsProblem if roll.toml or a
    setting makes no sense.
    """
    folders = list(dict.fromkeys(path for path in paths if seen(path.is_dir)))
    files = tuple(dict.fromkeys(path for path in paths if path not in folders))
    if paths and not any(seen(path.exists, hidden=True) for path in paths):
        raise ScanProblem(paths[0], "is not there", "check the name")
    rolls = [_folder_roll(folder, changes, name) for folder in folders]
    if files and len(folders) == 1:
        only = rolls[0]
        scans = tuple(dict.fromkeys(only.scans + files))
        rolls = [replace(only, scans=scans, problem=None)]
    elif files:
        rolls.append(_roll(files, files[0].parent, changes, name))
    return tuple(rolls)


def _folder_roll(folder: Path, changes: Mapping[str, Any], name: str | None) -> Roll:
    try:
        scans, refused = scans_in(folder)
        return replace(_roll(scans, folder, changes, name), refused=refused)
    except ScanProblem as problem:
        return replace(_roll((), folder, changes, name), problem=problem)


class Talk:
    """Tells on stderr how far the work is: one changing line on a terminal, else only trouble."""

    def __init__(self, verbose: bool) -> None:
        self._verbose = verbose
        self._terminal = sys.stderr.isatty()
        self._open_line = False
        self._began: dict[str, float] = {}

    def say(self, text: str) -> None:
        """Write one line."""
        self.end()
        self._write(f"{printable(text)}\n")

    def end(self) -> None:
        """Take the changing line away, if there is one."""
        if self._open_line:
            self._write("\r\x1b[K")
            self._open_line = False

    def listen(self, event: Event) -> None:
        """Tell one event."""
        if event.kind == "failed":
            self.say(event.message)
        elif event.kind == "noted":
            self.say(f"{event.name}: {event.message}")
        elif self._verbose:
            told = "stands already" if event.kind == "kept" else event.kind
            self.say(f"{event.name}: {told} ({event.done} of {event.total})")
        elif self._terminal and event.kind != "kept":
            self._progress(event)

    def _progress(self, event: Event) -> None:
        now = time.monotonic()
        if event.done <= 1:
            # Of each roll anew.
            self._began[event.kind] = now
        began = self._began.setdefault(event.kind, now)
        left = ""
        if event.done > 1 and event.done < event.total:
            seconds = (now - began) / (event.done - 1) * (event.total - event.done)
            left = f", about {seconds:.0f} s left" if seconds >= 1 else ""
        doing = "scans looked at" if event.kind == "surveyed" else "frames written"
        self._write(f"\r\x1b[K{event.done} of {event.total} {doing}{left}")
        self._open_line = True

    def _write(self, text: str) -> None:
        try:
            click.echo(text, err=True, nl=False)
        except BrokenPipeError:
            raise
        # A terminal that has gone is no reason to end: the signal that tells of it is.
        except OSError:
            self._verbose = self._terminal = False
