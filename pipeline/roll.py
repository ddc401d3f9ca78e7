"""A roll from its scans to its files: survey, solve, render, report."""

import itertools
from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from concurrent.futures import CancelledError, Executor, Future, as_completed
from contextlib import suppress
from dataclasses import dataclass, field, replace
from errno import EDQUOT, ENOENT, ENOSPC, ENOTCONN, EROFS, ESTALE
from pathlib import Path

import numpy as np

from pipeline import __version__
from pipeline.contact_sheet import empty_sheet, sheet_parts
from pipeline.drawings import curve_drawing
from pipeline.folder_lock import folder_lock
from pipeline.frame_survey import FrameSurvey
from pipeline.frame_task import FrameTask, develop, negative
from pipeline.journal import Journal, key_of
from pipeline.metadata import FrameMetadata
from pipeline.positive import small_picture
from pipeline.problem import OutputProblem, ScanProblem
from pipeline.record import (
    FilesRecord,
    FrameRecord,
    RollRecord,
    ScanTrouble,
    read_document,
    to_json,
)
from pipeline.report import Drawing, page, small_side, summary_lines, thumbnail
from pipeline.roll_record import record_of
from pipeline.roll_survey import (
    Event,
    Listener,
    Roll,
    SurveyedRoll,
    drop,
    safe_name,
    survey_roll,
    told,
)
from pipeline.scan_content import ScanContent, content_of
from pipeline.scan_sharing import shared_scans
from pipeline.space import find_space
from pipeline.standing import Outcome, note_whole, standing
from pipeline.whole_file import check_folder, sweep, write_text
from pipeline.workers import give_back
from pipeline.write import write_share

__all__ = [
    "Event",
    "Listener",
    "Outcome",
    "Roll",
    "SurveyedRoll",
    "record_of",
    "safe_name",
    "standing",
    "survey_roll",
    "write_roll",
]

RECORD_NAME, SHEET_NAME, PAGE_NAME = "roll.json", "contact-sheet.jpg", "index.html"
_REPORT = "report"
_SHEET_PPI = 300.0
# After these no other file can be written either.
_NO_ROOM = (ENOSPC, EDQUOT, EROFS, ENOENT, ESTALE, ENOTCONN)


@dataclass(frozen=True)
class _Job:
    """One frame to do, and what the survey found of it, from which what is written follows."""

    task: FrameTask
    found: FrameSurvey


@dataclass(frozen=True)
class _Work:
    """One frame to do, its name in messages and the journal, and a key of all it depends on."""

    task: FrameTask
    name: str
    key: str


@dataclass
class _Tally:
    """What became of the work; filled while it goes on."""

    done: set[str] = field(default_factory=set)
    troubles: list[ScanTrouble] = field(default_factory=list)
    no_room: bool = False

    def fail(self, scan: str, error: Exception, event: Event, listen: Listener) -> None:
        """Tell and keep what went wrong; once only where the disk is full or gone."""
        gone = isinstance(error, CancelledError)
        no_room = gone or (isinstance(error, OutputProblem) and error.number in _NO_ROOM)
        if not (no_room and self.no_room):
            message = told(event.name, error)
            self.troubles.append(ScanTrouble(scan, message))
            listen(replace(event, kind="failed", message=message))
        self.no_room |= no_room


def write_roll(
    surveyed: SurveyedRoll,
    out: Path,
    executor: Executor,
    listen: Listener,
    split: bool = False,
    drawings: Sequence[Drawing] = (),
) -> Outcome:
    """Write all frames of a surveyed roll, its sidecars, contact sheet, page and record.

    The page shows the film's curve if it is known, and the drawings given.

    What stands already, of the same scans and settings, is left alone. What fails is told and
    listed, and the rest is done, as far as there is room on the disk. While another run writes
    into the folder, this one waits.

    Raises
    ------
    ScanProblem
        If no scan of the roll could be used.
    OutputProblem
        If the folder can't be written.
    """
    if not surveyed.strips:
        reason = surveyed.problems[0].message.rstrip(".") if surveyed.problems else "no scans"
        what = f"nothing could be done for roll {surveyed.roll.name}"
        raise ScanProblem(None, what, f"see to its scans first ({reason})")
    check_folder(out)

    def waiting(holder: str) -> None:
        said = f"another run ({holder}) is writing here; this one goes on when that is done"
        listen(Event("noted", str(out), 0, 0, said))

    with folder_lock(out, waiting):
        sweep(out)
        journal = Journal(out)
        try:
            return _written(surveyed, out, journal, executor, listen, split, drawings)
        finally:
            # The folder may have gone; that is told where it was met first.
            with suppress(OutputProblem):
                journal.save()
            # What a lost worker was writing.
            sweep(out)


def _written(
    surveyed: SurveyedRoll,
    out: Path,
    journal: Journal,
    executor: Executor,
    listen: Listener,
    split: bool,
    drawings: Sequence[Drawing],
) -> Outcome:
    """Write what does not stand yet of a roll into a folder that nobody else writes into."""
    tally = _Tally()
    record = record_of(surveyed, split)
    jobs = _jobs(surveyed, record, out)
    works = _works(jobs, split, surveyed.contents, journal, executor, tally, listen)
    kept = {work.name for work in works if journal.is_done(work.name, work.key)}
    for name in sorted(kept):
        listen(Event("kept", name, len(kept), len(works)))
    todo = [work for work in works if work.name not in kept]
    # What the solve took, before frames need theirs, and what they took before the sheets do.
    give_back()
    _run(todo, journal, executor, tally, listen, negative if split else develop)
    give_back()
    _take_away(surveyed, record, out, journal, listen)
    failed = len(jobs) - len(kept) - len(tally.done)
    record = _without(record, tally, kept)
    if surveyed.curve is not None:
        drawings = [curve_drawing(surveyed.curve), *drawings]
    drawn = [vars(drawing) for drawing in drawings]
    report_key = key_of([work.key for work in works], to_json(record), drawn)
    failed += _report(report_key, record, surveyed, out, journal, tally, listen, drawings)
    failed += surveyed.failed
    outcome = Outcome(
        record,
        len(tally.done),
        len(kept),
        failed,
        tuple(summary_lines(record)),
        record.problems,
    )
    if not failed:
        keys = {work.name: work.key for work in works}
        note_whole(surveyed.roll, split, outcome, keys, {_REPORT: report_key}, journal)
    return outcome


def _jobs(surveyed: SurveyedRoll, record: RollRecord, out: Path) -> list[_Job]:
    roll = surveyed.roll
    rows = zip(surveyed.strips, record.strips, surveyed.colours, surveyed.areas, strict=True)
    jobs = []
    for strip, strip_record, colours, areas in rows:
        told = replace(strip_record, frames=(), densities=None)
        frames = zip(strip.frames, strip_record.frames, colours, areas, strict=True)
        for found, frame, own, (outline, base) in frames:
            if frame.files == FilesRecord():
                continue
            task = FrameTask(
                out=out,
                scan=strip.scan,
                outline=outline,
                base=base,
                ppi=strip.ppi,
                colour=own.colour,
                settings=roll.settings,
                # Corrections of other frames leave this one as it is.
                notes=replace(roll.notes, frames=()),
                strip=told,
                frame=frame,
                roll=roll.name,
                profile=surveyed.profile.name,
                tone=surveyed.tone,
                cross_talk=strip.cross_talk,
            )
            jobs.append(_Job(task, found))
    return jobs


def _works(
    jobs: Sequence[_Job],
    split: bool,
    begun: Mapping[Path, Future[ScanContent]],
    journal: Journal,
    executor: Executor,
    tally: _Tally,
    listen: Listener,
) -> list[_Work]:
    """Return the jobs' tasks with their keys, without those whose scan can't be read any more."""
    scans = dict.fromkeys(job.task.scan.path for job in jobs)
    known = {path: journal.known_hash(path) for path in scans}
    hashes = {path: value for path, value in known.items() if value is not None}
    pending = {
        path: begun.get(path) or executor.submit(content_of, path)
        for path in known
        if path not in hashes
    }
    try:
        for count, (path, future) in enumerate(pending.items(), 1):
            try:
                content = future.result()
                # Another run may have been waited for meanwhile.
                fresh = content if content.holds(path) else content_of(path)
                hashes[path] = fresh.value
                journal.note_hash(path, hashes[path])
            except Exception as error:
                event = Event("failed", path.name, count, len(pending))
                tally.fail(path.name, error, event, listen)
    finally:
        drop(pending.values())
    return [
        _Work(job.task, _name(job.task.roll, job.task.frame), _key(job, hash_of, split))
        for job in jobs
        if (hash_of := hashes.get(job.task.scan.path)) is not None
    ]


def _name(roll: str, frame: FrameRecord) -> str:
    return f"{roll}_{frame.number}"


def _key(job: _Job, scan_hash: str, split: bool) -> str:
    """Return what a frame's files depend on, by value: the scan's content, not its time."""
    task = job.task
    parts = {name: value for name, value in vars(task).items() if name not in ("out", "scan")}
    # Settings tell what of the frame as found is written.
    parts |= {"outline": job.found.outline, "base": job.found.base}
    return key_of(__version__, split, scan_hash, task.scan.page, task.scan.encoding, parts)


def _run(
    todo: Sequence[_Work],
    journal: Journal,
    executor: Executor,
    tally: _Tally,
    listen: Listener,
    work: Callable[[FrameTask], tuple[str, ...]],
) -> None:
    """Do all frames, noting each as it is done; a full disk ends it.

    Frames that are under way when it ends early are finished and noted too.
    """
    with shared_scans([item.task for item in todo], executor) as shared:
        pending = {shared.submit(work, item.task): item for item in todo}
        left = dict(pending)
        try:
            for count, future in enumerate(as_completed(pending), 1):
                item = left.pop(future)
                shared.done(item.task)
                event = Event("written", item.name, count, len(todo))
                # One frame must not end the run, whatever it makes a worker stumble over.
                try:
                    journal.note(item.name, item.key, future.result())
                except Exception as error:
                    tally.fail(item.task.scan.path.name, error, event, listen)
                    if tally.no_room:
                        return
                    continue
                tally.done.add(item.name)
                listen(event)
        finally:
            drop(left)
            for future, item in left.items():
                with suppress(Exception):
                    if not future.cancelled():
                        journal.note(item.name, item.key, future.result())
                        tally.done.add(item.name)


def _take_away(
    surveyed: SurveyedRoll, record: RollRecord, out: Path, journal: Journal, listen: Listener
) -> None:
    """Take away what an earlier run wrote for frames that corrections made go or renamed.

    Only files of the same roll and scans go, by the record of that run, and only as they were
    written.
    """
    scans = {strip.scan for strip in record.strips}
    there = {frame.number: frame for frame in record.frames()}
    for scan, number, was_corrected in _earlier_frames(out, surveyed.roll.name):
        now = there.get(number)
        corrected = now is None or now.corrected or was_corrected
        unwanted = corrected and (now is None or now.files == FilesRecord())
        name = f"{surveyed.roll.name}_{number}"
        if scan in scans and unwanted and journal.forget(name):
            listen(Event("noted", name, 0, 0, "its files are taken away, as the frame is no more"))


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


def _without(record: RollRecord, tally: _Tally, kept: AbstractSet[str]) -> RollRecord:
    """Return the record without the files that were not written, and with what went wrong."""
    stand = tally.done | kept
    roll = str(record.roll["id"])
    strips = tuple(
        replace(
            strip,
            frames=tuple(
                frame if _name(roll, frame) in stand else replace(frame, files=FilesRecord())
                for frame in strip.frames
            ),
        )
        for strip in record.strips
    )
    troubles = sorted(tally.troubles, key=lambda trouble: (trouble.scan, trouble.message))
    return replace(record, strips=strips, problems=(*record.problems, *troubles))


def _report(
    key: str,
    record: RollRecord,
    surveyed: SurveyedRoll,
    out: Path,
    journal: Journal,
    tally: _Tally,
    listen: Listener,
    drawings: Sequence[Drawing],
) -> int:
    """Write record, contact sheet and page if they don't stand; return how many runs failed."""
    if journal.is_done(_REPORT, key):
        return 0
    try:
        write_text(out / RECORD_NAME, to_json(record))
        sheets = _write_sheets(record, surveyed, out, drawings)
        journal.note_instead(_REPORT, key, (RECORD_NAME, *sheets, PAGE_NAME))
    except OutputProblem as error:
        tally.fail(out.name, error, Event("failed", _REPORT, 1, 1), listen)
        return 1
    return 0


def _write_sheets(
    record: RollRecord, surveyed: SurveyedRoll, out: Path, drawings: Sequence[Drawing]
) -> tuple[str, ...]:
    """Write contact sheets and page, a picture at a time; return the names of the sheets."""
    roll, space = surveyed.roll, find_space("srgb")
    frames = [
        [(n.number, f, own.colour) for f, n, own in zip(s.frames, row, colours, strict=True)]
        for s, row, colours in zip(surveyed.strips, surveyed.numbers, surveyed.colours, strict=True)
    ]
    shown = [[each for each in strip if each[1].kind != "blank"] for strip in frames]
    sizes = {n: (f.thumbnail.shape[0], f.thumbnail.shape[1]) for s in shown for n, f, _ in s}
    small: dict[str, bytes] = {}
    names: list[str] = []
    for part in sheet_parts(record):
        sheet = empty_sheet(sizes, record, part)
        for number, frame, colour in itertools.chain(*shown[part.first : part.end]):
            picture = small_picture(
                np.asarray(frame.thumbnail), colour, roll.settings, surveyed.tone
            )
            sheet.show(number, picture)
            small[number] = thumbnail(picture, small_side(len(sizes)))
        names.append(SHEET_NAME if part.place == 1 else SHEET_NAME.replace(".", f"-{part.place}."))
        metadata = FrameMetadata(title=f"{roll.name} contact sheet", roll=roll.name)
        write_share(out / names[-1], sheet.paper, ppi=_SHEET_PPI, metadata=metadata, space=space)
    write_text(out / PAGE_NAME, page(record, small, names, RECORD_NAME, drawings))
    return tuple(names)
