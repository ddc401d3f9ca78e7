"""A run over rolls of scans as the user asked for it, and the exit code it ends with."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.problem import Exit, Problem, SettingsProblem

if TYPE_CHECKING:
    from pipeline.roll_survey import Roll
    from pipeline.talk import Talk


@dataclass(frozen=True)
class Run:
    """What the user asked for, apart from the settings of the rolls."""

    rolls: "tuple[Roll, ...]"
    workers: int
    cluster: str | None
    talk: "Talk"
    as_json: bool
    strict: bool

    def seen(self) -> list[Path]:
        """Return the scans that are there for this machine."""
        return [path for roll in self.rolls for path in roll.scans if path.exists()]

    def told(self, problem: Problem) -> Exit:
        """Tell why nothing could be done for a roll.

        Raises
        ------
        SettingsProblem
            If it is a wrong setting of the only roll, which is wrong usage.
        """
        if isinstance(problem, SettingsProblem) and len(self.rolls) == 1:
            raise problem
        self.talk.say(str(problem))
        return Exit.NOTHING_DONE


def run_of(scans: Sequence[Path], options: dict[str, Any]) -> Run:
    """Return the run that a command's words ask for; `options` are those of `reading_options`.

    Raises
    ------
    ScanProblem, SettingsProblem
        If there are no scans, or a setting makes no sense.
    """
    from pipeline.roll_folder import gather_rolls
    from pipeline.talk import Talk

    talk = Talk(options.pop("verbose"))
    as_json, strict = options.pop("as_json"), options.pop("strict")
    workers = options.pop("workers") or os.cpu_count() or 1
    name = options.pop("roll_name")
    cluster = options.pop("cluster")
    changes = {key: value for key, value in options.items() if value is not None}
    # Other machines start from other folders.
    named = [path.absolute() for path in scans] if cluster else scans
    return Run(gather_rolls(named, changes, name), workers, cluster, talk, as_json, strict)


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
