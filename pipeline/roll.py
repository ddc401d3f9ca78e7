"""A roll from its scans to its files: survey, solve, render, report."""

from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from concurrent.futures import CancelledError, Executor, Future, as_completed
from contextlib import suppress
from dataclasses import dataclass, field, replace
from errno import EDQUOT, ENOENT, ENOSPC, ENOTCONN, EROFS, ESTALE
from pathlib import Path

from pipeline.drawings import curve_drawing
from pipeline.folder_lock import folder_lock
from pipeline.frame_task import FrameTask, develop, negative
from pipeline.journal import Journal, key_of
from pipeline.problem import OutputProblem, ScanProblem
from pipeline.record import FilesRecord, RollRecord, ScanTrouble, to_json
from pipeline.report import Drawing, summary_lines
from pipeline.roll_jobs import Job, job_name, jobs_of
from pipeline.roll_pages import write_pages
from pipeline.roll_record import record_of
from pipeline.roll_survey import (
    Event,
    Listener,
    SurveyedRoll,
    drop,
    told,
)
from pipeline.scan_content import ScanContent, content_of
from pipeline.scan_sharing import shared_scans
from pipeline.standing import Outcome, note_whole, take_away
from pipeline.whole_file import check_folder, sweep
from pipeline.workers import give_back

_REPORT = "report"
# After these no other file can be written either.
_NO_ROOM = (ENOSPC, EDQUOT, EROFS, ENOENT, ESTALE, ENOTCONN)


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
    jobs = jobs_of(surveyed, record, out)
    hashes = _hashes(jobs, surveyed.contents, journal, executor, tally, listen)
    jobs_left = [job for job in jobs if job.task.scan.path in hashes]
    keys = {job.name: job.key(hashes[job.task.scan.path], split) for job in jobs_left}
    kept = {name for name, key in keys.items() if journal.is_done(name, key)}
    for name in sorted(kept):
        listen(Event("kept", name, len(kept), len(keys)))
    todo = [job for job in jobs_left if job.name not in kept]
    # What the solve took, before frames need theirs, and what they took before the sheets do.
    give_back()
    _run(todo, keys, journal, executor, tally, listen, negative if split else develop)
    give_back()
    take_away(surveyed.roll.name, record, out, journal, listen)
    failed = surveyed.failed + len(jobs) - len(kept) - len(tally.done)
    record = _without(record, tally, kept)
    if surveyed.curve is not None:
        drawings = [curve_drawing(surveyed.curve), *drawings]
    drawn = [vars(drawing) for drawing in drawings]
    report_key = key_of(list(keys.values()), to_json(record), drawn)
    if not journal.is_done(_REPORT, report_key):
        try:
            names = write_pages(record, surveyed, out, drawings)
            journal.note_instead(_REPORT, report_key, names)
        except OutputProblem as error:
            tally.fail(out.name, error, Event("failed", _REPORT, 1, 1), listen)
            failed += 1
    outcome = Outcome(
        record,
        len(tally.done),
        len(kept),
        failed,
        tuple(summary_lines(record)),
        record.problems,
    )
    if not failed:
        note_whole(surveyed.roll, split, outcome, keys, {_REPORT: report_key}, journal)
    return outcome


def _hashes(
    jobs: Sequence[Job],
    begun: Mapping[Path, Future[ScanContent]],
    journal: Journal,
    executor: Executor,
    tally: _Tally,
    listen: Listener,
) -> dict[Path, str]:
    """Return hashes of the scans' contents, without those that can't be read any more."""
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
    return hashes


def _run(
    todo: Sequence[Job],
    keys: Mapping[str, str],
    journal: Journal,
    executor: Executor,
    tally: _Tally,
    listen: Listener,
    work: Callable[[FrameTask], tuple[str, ...]],
) -> None:
    """Do all frames, noting each as it is done; a full disk ends it.

    Frames that are under way when it ends early are finished and noted too.
    """
    with shared_scans([job.task for job in todo], executor) as shared:
        pending = {shared.submit(work, job.task): job for job in todo}
        left = dict(pending)
        try:
            for count, future in enumerate(as_completed(pending), 1):
                job = left.pop(future)
                shared.done(job.task)
                event = Event("written", job.name, count, len(todo))
                # One frame must not end the run, whatever it makes a worker stumble over.
                try:
                    journal.note(job.name, keys[job.name], future.result())
                except Exception as error:
                    tally.fail(job.task.scan.path.name, error, event, listen)
                    if tally.no_room:
                        return
                    continue
                tally.done.add(job.name)
                listen(event)
        finally:
            drop(left)
            for future, job in left.items():
                with suppress(Exception):
                    if not future.cancelled():
                        journal.note(job.name, keys[job.name], future.result())
                        tally.done.add(job.name)


def _without(record: RollRecord, tally: _Tally, kept: AbstractSet[str]) -> RollRecord:
    """Return the record without the files that were not written, and with what went wrong."""
    stand = tally.done | kept
    roll = str(record.roll["id"])
    strips = tuple(
        replace(
            strip,
            frames=tuple(
                frame if job_name(roll, frame) in stand else replace(frame, files=FilesRecord())
                for frame in strip.frames
            ),
        )
        for strip in record.strips
    )
    troubles = sorted(tally.troubles, key=lambda trouble: (trouble.scan, trouble.message))
    return replace(record, strips=strips, problems=(*record.problems, *troubles))
