"""A roll from its scans to its files: frames, record, contact sheets and page."""

from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from concurrent.futures import Executor, as_completed
from contextlib import closing, suppress
from dataclasses import dataclass, field, replace
from errno import EDQUOT, ENOENT, ENOSPC, ENOTCONN, EROFS, ESTALE
from pathlib import Path

from pipeline.event import Event, Listener
from pipeline.problem import ClusterProblem, OutputProblem, ScanProblem
from pipeline.record import FilesRecord, RollRecord, ScanTrouble
from pipeline.report import Drawing, caution_lines, curve_drawing, summary_lines
from pipeline.roll.frame_task import Job, develop, job_name, jobs_of, negative
from pipeline.roll.journal import Journal
from pipeline.roll.lock import folder_lock
from pipeline.roll.machines import give_back
from pipeline.roll.outcome import Outcome, note_whole, take_away, told_of
from pipeline.roll.pages import Report, page_names, write_pages
from pipeline.roll.plan import ALL, Wanted, planned
from pipeline.roll.record import record_of
from pipeline.roll.scans import drop, told
from pipeline.roll.sharing import shared_scans
from pipeline.roll.survey import SurveyedRoll
from pipeline.scan import content_of
from pipeline.small_file import content_hash
from pipeline.whole_file import check_folder, check_folder_to_be, check_replaceable, sweep

_REPORT = "report"
# Drawing a page takes as long as a frame or two: before so few of them it could be what is last.
_FEW_FRAMES, _FIRST_FRAMES = 8, 1
_FRAMES_PER_TRIM = 100
# After these no other file can be written either.
_NO_ROOM = (ENOSPC, EDQUOT, EROFS, ENOENT, ESTALE, ENOTCONN)


@dataclass
class _Writing:
    """A roll on its way into a folder that nobody else writes into, and what became of it."""

    surveyed: SurveyedRoll
    out: Path
    journal: Journal
    executor: Executor
    listen: Listener
    want: Wanted
    done: set[str] = field(default_factory=set)
    troubles: list[ScanTrouble] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    no_room: bool = False

    def fail(self, scan: str, error: Exception, event: Event) -> None:
        """Tell and keep what went wrong; once only where the disk is full or gone."""
        no_room = isinstance(error, OutputProblem) and error.number in _NO_ROOM
        if not (no_room and self.no_room):
            message = told(event.name, error)
            self.troubles.append(ScanTrouble(scan, message))
            self.listen(replace(event, kind="failed", message=message))
        self.no_room |= no_room

    def note(self, job: Job, key: str, hashes: Mapping[str, str]) -> None:
        """Note a frame's files as written, by name and the hash of their bytes."""
        self.journal.note(job.name, key, tuple(hashes), hashes, job.task.left)
        self.done.add(job.name)


def write_roll(
    surveyed: SurveyedRoll,
    out: Path,
    executor: Executor,
    listen: Listener,
    want: Wanted = ALL,
    drawings: Sequence[Drawing] = (),
) -> Outcome:
    """Write all frames of a surveyed roll, its sidecars, contact sheet, page and record.

    The page shows the film's curve if it is known, and the drawings given.

    What stands already, of the same scans and settings, is left alone, and so is what the user
    changed since it was written, unless it is to be replaced. What fails is told and listed, and
    the rest is done, as far as there is room on the disk. While another run writes into the
    folder, this one waits.

    Raises ScanProblem if no scan of the roll could be used. Raises OutputProblem if the folder
    can't be written, or holds a result of another kind. Raises ClusterProblem if the cluster that
    does the work has gone.
    """
    if not surveyed.strips:
        reason = surveyed.problems[0].message.rstrip(".") if surveyed.problems else "no scans"
        what = f"nothing could be done for roll {surveyed.roll.name}"
        raise ScanProblem(None, what, f"see to its scans first ({reason})")
    if want.dry_run:
        check_folder_to_be(out)
        journal = Journal(out)
        journal.claim(want.kind(surveyed.roll), want.replace_changed)
        return _planned(_Writing(surveyed, out, journal, executor, listen, want))
    check_folder(out)

    def waiting(holder: str) -> None:
        said = f"another run ({holder}) is writing here; this one goes on when that is done"
        listen(Event("noted", str(out), 0, 0, said))

    with folder_lock(out, waiting):
        sweep(out)
        journal = Journal(out)
        journal.claim(want.kind(surveyed.roll), want.replace_changed)
        journal.note_roll(told_of(surveyed.roll))
        writing = _Writing(surveyed, out, journal, executor, listen, want)
        try:
            return _written(writing, drawings)
        finally:
            # The folder may have gone; that is told where it was met first.
            with suppress(OutputProblem):
                writing.journal.save()
            # What a lost worker was writing.
            sweep(out)


def frames_to_write(surveyed: SurveyedRoll, record: RollRecord, out: Path) -> frozenset[str]:
    """Return the numbers of frames whose files `write_roll` would make, first or anew.

    Of a scan whose content isn't known it would make all.
    """
    jobs, journal = jobs_of(surveyed, record, out), Journal(out)
    known = {job.task.scan.path: journal.known_hash(job.task.scan.path) for job in jobs}
    hashes = {path: value for path, value in known.items() if value is not None}
    unknown = (job for job in jobs if job.task.scan.path not in hashes)
    todo = (*unknown, *planned(jobs, hashes, journal, ALL).todo)
    return frozenset(str(job.task.metadata.number) for job in todo)


def _planned(writing: _Writing) -> Outcome:
    """Return what would be done for a roll, and what would be refused, with nothing written."""
    surveyed, out, want = writing.surveyed, writing.out, writing.want
    record = record_of(surveyed, want.split)
    jobs = jobs_of(surveyed, record, out)
    plan = planned(jobs, _hashes(jobs, writing), writing.journal, want)
    todo = []
    for job in plan.todo:
        names = [name for name in vars(job.task.to_write()).values() if name]
        if _free(names, writing, job.task.scan.path.name, job.name):
            todo.append(job)
    theirs = () if want.replace_changed else writing.journal.changed(_REPORT)
    pages = [name for name in page_names(record) if name not in theirs]
    pages_free = _free(pages, writing, None, _REPORT)
    failed = surveyed.failed + len(plan.todo) - len(todo) + (not pages_free)
    lines = replace(plan, todo=tuple(todo)).lines(out)
    problems = (*record.problems, *writing.troubles)
    return Outcome(0, len(plan.kept), failed, lines, problems, plan.changed, to_write=len(todo))


def _file_of(problem: OutputProblem, out: Path) -> str:
    return (problem.path or out).name


def _free(names: Sequence[str], writing: _Writing, scan: str | None, what: str) -> bool:
    """Tell whether files may be written; what would be refused is told, of a scan if of one."""
    for name in names:
        try:
            check_replaceable(writing.out / name)
        except OutputProblem as problem:
            of = scan or _file_of(problem, writing.out)
            writing.fail(of, problem, Event("failed", what, 1, 1))
            return False
    return True


def _written(writing: _Writing, drawings: Sequence[Drawing]) -> Outcome:
    """Write what does not stand yet of a roll."""
    surveyed, out, journal = writing.surveyed, writing.out, writing.journal
    record = record_of(surveyed, writing.want.split)
    jobs = jobs_of(surveyed, record, out)
    plan = planned(jobs, _hashes(jobs, writing), journal, writing.want)
    keys, kept = plan.keys, plan.kept
    writing.changed.extend(plan.changed)
    for name in sorted(kept):
        writing.listen(Event("kept", name, len(kept), len(keys)))
    # What the solve took, before frames need theirs.
    give_back()
    chosen = {job.name for job in jobs if writing.want.takes(str(job.task.metadata.number))}
    passed = {job.name for job in jobs if job.name not in chosen and journal.has(job.name)}
    stands = kept | passed
    # With what their keys were made of, which nobody needs any more.
    del jobs
    if surveyed.curve is not None:
        drawings = [curve_drawing(surveyed.curve), *drawings]
    with Report(surveyed, keys, drawings) as report:

        def begin_report() -> None:
            expected = _told(record, writing, stands | {job.name for job in plan.todo})
            if not journal.stands(_REPORT, report.key(expected)):
                report.begin(expected)

        _run(plan.todo, keys, writing, begin_report)
        give_back()
        take_away(surveyed.roll.name, record, out, journal, writing.listen)
        failed = surveyed.failed + len(chosen - kept - writing.done)
        record = _told(record, writing, stands | writing.done)
        failed += not _reported(report, record, writing)
    outcome = Outcome(
        written=len(writing.done),
        kept=len(kept),
        failed=failed,
        lines=summary_lines(record),
        problems=record.problems,
        changed=tuple(writing.changed),
        cautions=caution_lines(record),
    )
    if not failed and not writing.want.only:
        note_whole(
            surveyed.roll, writing.want.split, outcome, keys, {_REPORT: report.key(record)}, journal
        )
    return outcome


def _reported(report: Report, record: RollRecord, writing: _Writing) -> bool:
    """Write what a person looks at of a roll, unless it stands; tell whether all went well."""
    out, journal, key = writing.out, writing.journal, report.key(record)
    theirs, anew = journal.changed(_REPORT), not journal.stands(_REPORT, key)
    if theirs and writing.want.replace_changed:
        theirs, anew = (), True
    writing.changed.extend(theirs)
    if not anew:
        return True
    try:
        names = write_pages(report.files(record), out, theirs)
        pages = {file: content_hash(out / file) for file in names}
        journal.note(_REPORT, key, names, pages, theirs, instead=True)
    except OutputProblem as error:
        writing.fail(_file_of(error, out), error, Event("failed", _REPORT, 1, 1))
        return False
    return True


def _hashes(jobs: Sequence[Job], writing: _Writing) -> dict[Path, str]:
    """Return hashes of the scans' contents, without those that can't be read any more."""
    journal, begun = writing.journal, writing.surveyed.contents
    known = {job.task.scan.path: journal.known_hash(job.task.scan.path) for job in jobs}
    hashes = {path: value for path, value in known.items() if value is not None}
    pending = {
        path: begun.get(path) or writing.executor.submit(content_of, path)
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
            except ClusterProblem:
                raise
            except Exception as error:
                event = Event("failed", path.name, count, len(pending))
                writing.fail(path.name, error, event)
    finally:
        drop(pending.values())
    return hashes


def _run(
    todo: Sequence[Job],
    keys: Mapping[str, str],
    writing: _Writing,
    beside: Callable[[], None],
) -> None:
    """Do all frames, noting each as it is done; a full disk ends it.

    Frames that are under way when it ends early are finished and noted too. `beside` begins what
    is done beside them: of many, when those that were begun first are done, so that they are there
    the sooner.
    """
    work = negative if writing.want.split else develop
    with closing(shared_scans([job.task for job in todo], writing.executor)) as shared:
        pending = {shared.submit(work, job.task): job for job in todo}
        left = dict(pending)
        try:
            if 0 < len(todo) <= _FEW_FRAMES:
                beside()
            for count, future in enumerate(as_completed(pending), 1):
                if not count % _FRAMES_PER_TRIM:
                    give_back()
                if count == _FIRST_FRAMES + 1 and len(todo) > _FEW_FRAMES:
                    beside()
                job = left.pop(future)
                shared.done(job.task)
                event = Event("written", job.name, count, len(todo))
                # One frame must not end the run, whatever it makes a worker stumble over.
                try:
                    writing.note(job, keys[job.name], future.result())
                except ClusterProblem:
                    raise
                except Exception as error:
                    writing.fail(job.task.scan.path.name, error, event)
                    if writing.no_room:
                        return
                    continue
                writing.listen(event)
        finally:
            drop(left)
            # Who ends a run may not wait for what is under way.
            with suppress(OutputProblem):
                writing.journal.save()
            for future, job in left.items():
                with suppress(Exception):
                    if not future.cancelled():
                        writing.note(job, keys[job.name], future.result())


def _told(record: RollRecord, writing: _Writing, stand: AbstractSet[str]) -> RollRecord:
    """Return the record with the files of frames that stand alone, and with what went wrong."""
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
    troubles = sorted(writing.troubles, key=lambda trouble: (trouble.scan, trouble.message))
    return replace(record, strips=strips, problems=(*record.problems, *troubles))
