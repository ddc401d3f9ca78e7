"""What of a roll is to be written, and what stands: decided before anything is touched."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.problem import SettingsProblem
from pipeline.roll.journal import Journal
from pipeline.settings import Roll

if TYPE_CHECKING:
    from pipeline.roll.frame_task import Job

_SPAN = re.compile(r"(\d{1,4})-(\d{1,4})")


@dataclass(frozen=True)
class Wanted:
    """What of a roll is to be written.

    `split` only cuts negatives; `replace_changed` makes anew what the user changed, and takes
    the place of a result of another kind; `only` names frames, as '05' or '07-12', and empty means
    all; `dry_run` writes nothing and tells what would be.
    """

    split: bool = False
    replace_changed: bool = False
    only: tuple[str, ...] = ()
    dry_run: bool = False

    def kind(self, roll: Roll) -> str:
        """Return in words what kind of result is made of a roll."""
        return "negatives" if self.split else f"positives of look {roll.settings.look}"

    def takes(self, number: str) -> bool:
        """Tell whether a frame of this number is to be written."""
        return not self.only or any(_is_in(number, each) for each in self.only)


ALL = Wanted()
"""Every frame, as positives."""


def _is_in(number: str, named: str) -> bool:
    span, digits = _SPAN.fullmatch(named), re.match(r"\d+", number)
    if span is not None:
        return digits is not None and int(span[1]) <= int(digits[0]) <= int(span[2])
    bare = named.lstrip("0") or named
    return number == named or (number.lstrip("0") or number) == bare


@dataclass(frozen=True)
class Plan:
    """The frames of a roll in an output folder: their keys, what stands, and what is to be done.

    What the keys were made of is let go. `changed` are files that stay as the user changed them.
    """

    keys: Mapping[str, str]
    kept: frozenset[str]
    todo: "tuple[Job, ...]"
    changed: tuple[str, ...]

    def lines(self, out: Path) -> tuple[str, ...]:
        """Return what would be done, a line for each way."""
        anew = [job.name for job in self.todo if _stands(job, out)]
        first = [job.name for job in self.todo if job.name not in anew]
        told = (
            ("would be written", first),
            ("would be written anew", anew),
            ("would be left, as nothing changed", sorted(self.kept)),
            ("would be left as you changed them", self.changed),
        )
        return tuple(f"{len(names)} {words}: {', '.join(names)}" for words, names in told if names)


def planned(
    jobs: "Iterable[Job]", hashes: Mapping[Path, str], journal: Journal, want: Wanted
) -> Plan:
    """Return the plan of a roll's jobs, of those whose scans' contents are known.

    Raises SettingsProblem if a frame is named that the roll doesn't have.
    """
    known = [job for job in jobs if job.task.scan.path in hashes]
    _check_only(known, want)
    keys = {job.name: job.key(hashes[job.task.scan.path], want.split) for job in known}
    theirs = {name: journal.changed(name) for name in keys}
    kept = frozenset(
        name
        for name, key in keys.items()
        if journal.stands(name, key) and not (theirs[name] and want.replace_changed)
    )
    changed = dict.fromkeys(keys, ()) if want.replace_changed else theirs
    todo = tuple(
        replace(job, task=replace(job.task, left=changed[job.name]), depends_on={})
        for job in known
        if job.name not in kept and want.takes(str(job.task.metadata.number))
    )
    return Plan(keys, kept, todo, tuple(file for files in changed.values() for file in files))


def _check_only(jobs: "Iterable[Job]", want: Wanted) -> None:
    numbers = [str(job.task.metadata.number) for job in jobs]
    for each in want.only:
        if numbers and not any(_is_in(number, each) for number in numbers):
            raise SettingsProblem(
                None,
                f"--only: there is no frame {each} to write",
                f"there are {', '.join(numbers)}",
            )


def _stands(job: "Job", out: Path) -> bool:
    return any(name and (out / name).exists() for name in vars(job.task.files).values())
