"""What a run left, and a roll that stands already: told without looking at a scan again."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.event import Event, Listener
from pipeline.problem import OutputProblem, ScanProblem
from pipeline.record import RECORD_NAME, FilesRecord, RollRecord, ScanTrouble, read_document
from pipeline.roll.journal import Journal, key_of
from pipeline.roll.lock import lock_if_free
from pipeline.roll.plan import ALL, Wanted
from pipeline.scan import content_of
from pipeline.settings import Roll
from pipeline.small_file import read_toml
from pipeline.whole_file import LOCK_NAME, leftovers, sweep
from pipeline.words import printable


@dataclass(frozen=True)
class Outcome:
    """What a run left: counts of frames written and kept, and of what failed, and its words.

    `to_write` counts what a dry run would have written.
    `changed` are files that the user changed since they were written, and that were left alone;
    `cautions` are those for the chemistry, where a finding's advice leads there.
    """

    written: int = 0
    kept: int = 0
    failed: int = 0
    lines: tuple[str, ...] = ()
    problems: tuple[ScanTrouble, ...] = ()
    changed: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    to_write: int = 0


def standing(roll: Roll, out: Path, listen: Listener, want: Wanted = ALL) -> Outcome | None:
    """Return the outcome of a run that would change nothing, told again; else None.

    What a killed run left is swept all the same.

    Raises OutputProblem if a result of another kind stands in the folder, and is not to be
    replaced.
    """
    journal = Journal(out)
    journal.claim(want.kind(roll), want.replace_changed)
    key = _inputs_key(roll, want.split, journal)
    told = None if key is None else journal.whole(key)
    outcome = None if told is None else _outcome(told)
    if told is None or outcome is None:
        return None
    changed = tuple(file for name in told["keys"] for file in journal.changed(name))
    if changed and want.replace_changed:
        return None
    for each in outcome.problems:
        listen(Event("noted", each.scan, 0, 0, each.message))
    for name in sorted(told["frames"]):
        listen(Event("kept", name, outcome.kept, outcome.kept))
    if (out / LOCK_NAME).exists() or leftovers(out):
        # All stands, whether or not the folder can be written to.
        with suppress(OutputProblem), lock_if_free(out) as free:
            if free:
                sweep(out)
    return replace(outcome, changed=changed)


def note_whole(
    roll: Roll,
    split: bool,
    outcome: Outcome,
    frame_keys: Mapping[str, str],
    other_keys: Mapping[str, str],
    journal: Journal,
) -> None:
    """Note a run that had no failure, so that the next one need not look again."""
    key = _inputs_key(roll, split, journal)
    if key is not None:
        problems = [[each.scan, each.message, each.kind] for each in outcome.problems]
        told = {
            "frames": list(frame_keys),
            "lines": list(outcome.lines),
            "problems": problems,
            "cautions": list(outcome.cautions),
        }
        journal.note_whole(key, {**frame_keys, **other_keys}, told)


def told_of(roll: Roll) -> dict[str, Any]:
    """Return what tells a later run which roll it was: scans and settings by the command's words.

    All of it can be written as JSON.
    """
    plain = {name: str(v) if isinstance(v, Path) else v for name, v in roll.told.items()}
    return {
        "scans": [str(path.absolute()) for path in roll.scans],
        "beside": None if roll.beside is None else str(roll.beside.absolute()),
        "told": plain,
    }


def take_away(roll: str, record: RollRecord, out: Path, journal: Journal, listen: Listener) -> None:
    """Take away what an earlier run wrote for frames that corrections made go or renamed.

    Only files of the same roll and scans go, by the record of that run, and only as they were
    written.
    """
    scans = {strip.scan for strip in record.strips}
    there = {frame.number: frame for frame in record.frames()}
    for scan, number, was_corrected in _earlier_frames(out, roll):
        now = there.get(number)
        corrected = now is None or now.corrected or was_corrected
        unwanted = corrected and (now is None or now.files == FilesRecord())
        name = f"{roll}_{number}"
        if scan in scans and unwanted and journal.forget(name):
            listen(Event("noted", name, 0, 0, "its files are taken away, as the frame is no more"))


def _inputs_key(roll: Roll, split: bool, journal: Journal) -> str | None:
    """Return a key of all that decides how a roll comes out, None where that takes reading.

    Scans count by their content, as noted in the journal while their sizes, times and inodes
    hold; settings and notes by value; profiles of the user's own and a base scan by content.
    """
    hashes = [journal.known_hash(path) for path in roll.scans]
    if roll.problem or roll.refused or not hashes or None in hashes:
        return None
    named = (roll.settings.profile, roll.settings.scanner_profile)
    try:
        profiles = [read_toml(Path(name)) for name in named if name and name.endswith(".toml")]
        base = roll.settings.base_scan and content_of(Path(roll.settings.base_scan)).value
    # What is wrong with it is told where it is used.
    except (OSError, ValueError, ScanProblem):
        return None
    scans = [(path.name, value) for path, value in zip(roll.scans, hashes, strict=True)]
    return key_of(__version__, split, roll.name, roll.settings, roll.notes, scans, profiles, base)


def _outcome(told: Mapping[str, Any]) -> Outcome | None:
    """Return the outcome that a journal tells of; anybody can write one."""
    frames, lines, problems, cautions = (
        told.get(name) for name in ("frames", "lines", "problems", "cautions")
    )
    if not (isinstance(frames, list) and isinstance(lines, list)):
        return None
    if not (isinstance(problems, list) and isinstance(cautions, list)):
        return None
    if not all(isinstance(name, str) for name in frames):
        return None
    if not all(isinstance(each, list) and len(each) == 3 for each in problems):
        return None
    troubles = tuple(ScanTrouble(*map(str, each)) for each in problems)
    said, warned = (tuple(map(printable, row)) for row in (lines, cautions))
    return Outcome(0, len(frames), 0, said, troubles, cautions=warned)


def _earlier_frames(out: Path, roll: str) -> list[tuple[str, str, bool]]:
    """Return scan, number and whether it was corrected of all frames of an earlier run."""
    try:
        document = read_document(out / RECORD_NAME)
        if document["roll"]["id"] != roll:
            return []
        return [
            (str(strip["scan"]), str(frame["number"]), bool(frame.get("corrected")))
            for strip in document["strips"]
            for frame in strip["frames"]
        ]
    except (ScanProblem, KeyError, TypeError, AttributeError):
        return []
