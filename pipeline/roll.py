"""A roll from its scans to its files: survey, solve, render, report."""

import re
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline import __version__
from pipeline.colour import RollColour, from_profile, solve_roll, with_exposure
from pipeline.contact_sheet import contact_sheet
from pipeline.diagnose import diagnose, edge_print
from pipeline.film import FilmProfile, find_film
from pipeline.frame_task import FrameTask, develop, frame_files, negative, thumbnail_picture
from pipeline.journal import Journal, key_of
from pipeline.metadata import FrameMetadata
from pipeline.numbering import FrameNumber, in_film_order, number_roll
from pipeline.problem import OutputProblem, Problem, ScanProblem
from pipeline.record import (
    BaseRecord,
    ColourRecord,
    DensityRecord,
    EdgeCodeRecord,
    FrameRecord,
    RollDensities,
    RollRecord,
    ScanTrouble,
    StripRecord,
    to_json,
)
from pipeline.report import page, thumbnail
from pipeline.scan import content_hash
from pipeline.settings import RollNotes, Settings
from pipeline.space import find_space
from pipeline.survey import FrameSurvey, ScanSurvey, StripSurvey, survey_scan
from pipeline.write import check_folder, sweep, write_share, write_text

Triple = tuple[float, float, float]
RECORD_NAME, SHEET_NAME, PAGE_NAME = "roll.json", "contact-sheet.jpg", "index.html"
_REPORT = "report"
_SHEET_PPI = 300.0
_SAFE = re.compile(r"[^\w.+-]+")


@dataclass(frozen=True)
class Event:
    """One thing that happened: 'surveyed', 'written', 'kept', 'failed' or 'noted'."""

    kind: str
    name: str
    done: int
    total: int
    message: str = ""


Listener = Callable[[Event], None]


@dataclass(frozen=True)
class Roll:
    """A roll to work on: its scans in order, notes, settings, and the name its files carry."""

    name: str
    scans: tuple[Path, ...]
    notes: RollNotes
    settings: Settings


@dataclass(frozen=True)
class SurveyedRoll:
    """All that is known of a roll before a picture is written."""

    roll: Roll
    profile: FilmProfile
    strips: tuple[StripSurvey, ...]
    numbers: tuple[tuple[FrameNumber, ...], ...]
    colour: RollColour
    clipped: bool
    problems: tuple[ScanTrouble, ...]
    failed: int


@dataclass(frozen=True)
class Outcome:
    """What a run left: the record, and counts of files written, kept as they were, and failed."""

    record: RollRecord
    written: int = 0
    kept: int = 0
    failed: int = 0
    problems: tuple[str, ...] = field(default=())


def safe_name(text: str) -> str:
    """Return a text as part of a file name: letters, digits, . _ + -; never a path."""
    cleaned = _SAFE.sub("-", text.strip()).strip(".-")[:80]
    return cleaned or "roll"


def survey_roll(roll: Roll, executor: Executor, listen: Listener) -> SurveyedRoll:
    """Return the survey of all scans of a roll and the one colour solved from it.

    A scan that fails is listed in `problems`, and the others are done.
    """
    profile = find_film(roll.settings.profile)
    surveys, problems = _surveys(roll, executor, listen)
    strips = in_film_order([strip for survey in surveys for strip in survey.strips])
    for survey in surveys:
        for note in survey.notes:
            listen(Event("noted", survey.path.name, 0, 0, note))
    return SurveyedRoll(
        roll=roll, profile=profile, strips=strips,
        numbers=number_roll(strips, roll.settings.first_number),
        colour=_solved(strips, profile, roll.settings),
        clipped=any(survey.clipped for survey in surveys),
        problems=tuple(problems) + tuple(
            ScanTrouble(survey.path.name, note) for survey in surveys for note in survey.notes
        ),
        failed=len(problems),
    )  # fmt: skip


def _surveys(
    roll: Roll, executor: Executor, listen: Listener
) -> tuple[list[ScanSurvey], list[ScanTrouble]]:
    pending = [executor.submit(survey_scan, path, roll.settings) for path in roll.scans]
    places = {id(future): index for index, future in enumerate(pending)}
    done: dict[int, ScanSurvey] = {}
    problems: dict[int, ScanTrouble] = {}
    try:
        for count, future in enumerate(as_completed(pending), 1):
            index = places[id(future)]
            name = roll.scans[index].name
            try:
                done[index] = future.result()
                listen(Event("surveyed", name, count, len(pending)))
            except (Problem, OSError, MemoryError) as error:
                message = str(error) if isinstance(error, Problem) else f"{name}: {error}"
                problems[index] = ScanTrouble(name, message)
                listen(Event("failed", name, count, len(pending), message))
    finally:
        _drop(pending)
    return [done[index] for index in sorted(done)], [problems[index] for index in sorted(problems)]


def _drop(pending: Iterable[Future[object]]) -> None:
    for future in pending:
        future.cancel()


def _solved(strips: Sequence[StripSurvey], profile: FilmProfile, settings: Settings) -> RollColour:
    samples = [
        frame.samples for strip in strips for frame in strip.frames
        if frame.kind in ("picture", "partial")
    ]  # fmt: skip
    colour = solve_roll(samples, profile) if samples else from_profile(profile)
    colour = with_exposure(colour, samples)
    if settings.balance is not None:
        red, green, blue = (a + b for a, b in zip(colour.balance, settings.balance, strict=True))
        colour = replace(colour, balance=(red, green, blue))
    return replace(colour, exposure=colour.exposure * 2.0**settings.exposure)


def _strip_record(
    strip: StripSurvey, numbers: Sequence[FrameNumber], roll: Roll, split: bool
) -> StripRecord:
    frames = tuple(
        _frame_record(frame, number, roll, split)
        for frame, number in zip(strip.frames, numbers, strict=True)
    )
    return StripRecord(
        scan=strip.scan.path.name, page=strip.scan.page, ppi=round(strip.ppi, 2),
        ppi_from=strip.ppi_from, format=strip.format, outline=_rounded(strip.outline),
        angle_deg=round(strip.angle_deg, 4), mirrored=strip.mirrored,
        base=BaseRecord(strip.base.density, strip.illumination.absolute, strip.base.spread,
                        round(strip.base.area_mm2, 1)),
        edge_codes=tuple(EdgeCodeRecord(text, round(x, 1), round(y, 1)) for text, x, y in strip.edge_codes),
        frames=frames,
    )  # fmt: skip


def _rounded(outline: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    return tuple((round(x, 2), round(y, 2)) for x, y in outline)


def _frame_record(frame: FrameSurvey, number: FrameNumber, roll: Roll, split: bool) -> FrameRecord:
    written = frame.kind != "blank" or roll.settings.write_blanks
    files = (
        frame_files(f"{roll.name}_{number.number}", roll.settings, split)
        if written
        else frame_files(None, roll.settings, split)
    )
    return FrameRecord(
        number=number.number, number_from=number.number_from, kind=frame.kind,
        outline=_rounded(frame.outline), confidence=frame.confidence, files=files,
        density=DensityRecord(frame.least, frame.median, frame.most),
    )  # fmt: skip


def record_of(surveyed: SurveyedRoll, split: bool = False) -> RollRecord:
    """Return the roll record of a survey."""
    roll, strips, colour = surveyed.roll, surveyed.strips, surveyed.colour
    told = {
        name: value for name, value in vars(roll.notes).items()
        if name != "other" and value not in (None, {})
    }  # fmt: skip
    return RollRecord(
        roll={"id": roll.name} | told | dict(roll.notes.other), profile=surveyed.profile.name,
        look="negative" if split else roll.settings.look,
        colour=ColourRecord(colour.balance, colour.gamma(), colour.how),
        strips=tuple(
            _strip_record(strip, numbers, roll, split)
            for strip, numbers in zip(strips, surveyed.numbers, strict=True)
        ),
        densities=_roll_densities(strips),
        findings=diagnose(strips, surveyed.profile, roll.notes, surveyed.clipped),
        problems=surveyed.problems,
    )  # fmt: skip


def _roll_densities(strips: Sequence[StripSurvey]) -> RollDensities:
    pictures = [f for strip in strips for f in strip.frames if f.kind in ("picture", "partial")]
    base = _triple(np.median([s.base.density for s in strips], axis=0)) if strips else None
    spans = None
    if pictures:
        least = np.min([frame.least for frame in pictures], axis=0)
        spans = _triple(np.max([frame.most for frame in pictures], axis=0) - least)
    return RollDensities(base, spans, None, edge_print(strips))


def _triple(values: NDArray[np.floating]) -> Triple:
    red, green, blue = (float(value) for value in values)
    return (red, green, blue)


def _tasks(surveyed: SurveyedRoll, record: RollRecord, out: Path, split: bool) -> list[FrameTask]:
    tasks = []
    for strip, strip_record in zip(surveyed.strips, record.strips, strict=True):
        for frame, frame_record in zip(strip.frames, strip_record.frames, strict=True):
            if any(vars(frame_record.files).values()):
                tasks.append(FrameTask(
                    out=out, scan=strip.scan, outline=frame.outline, base=frame.base, ppi=strip.ppi,
                    colour=surveyed.colour, settings=surveyed.roll.settings, notes=surveyed.roll.notes,
                    strip=replace(strip_record, frames=()), frame=frame_record, roll=surveyed.roll.name,
                    profile=surveyed.profile.name,
                ))  # fmt: skip
    return tasks


def write_roll(
    surveyed: SurveyedRoll, out: Path, executor: Executor, listen: Listener, split: bool = False
) -> Outcome:
    """Write all frames of a surveyed roll, its sidecars, contact sheet, page and record.

    What stands already, of the same scans and settings, is left alone. A frame that fails is
    listed, and the others are done.

    Raises
    ------
    ScanProblem
        If no scan of the roll could be used.
    OutputProblem
        If the folder can't be written.
    """
    if not surveyed.strips:
        told = surveyed.problems[0].message.rstrip(".") if surveyed.problems else "no scans given"
        raise ScanProblem(
            None,
            f"nothing could be done for roll {surveyed.roll.name}",
            f"see to its scans first ({told})",
        )
    check_folder(out)
    sweep(out)
    record = record_of(surveyed, split)
    journal = Journal(out)
    hashes = {path: content_hash(path) for path in {s.scan.path for s in surveyed.strips}}
    todo, kept, keys = [], 0, []
    for task in _tasks(surveyed, record, out, split):
        key = _frame_key(task, hashes[task.scan.path], split)
        keys.append(key)
        if journal.is_done(task.frame.number, key):
            kept += 1
            listen(Event("kept", task.frame.number, 0, 0))
        else:
            todo.append((task, key))
    written, failures = _run(todo, journal, executor, listen, split)
    record = _with_failures(record, failures)
    report_key = key_of(keys, to_json(record))
    if not journal.is_done(_REPORT, report_key):
        _write_report(record, surveyed, out)
        journal.note(_REPORT, report_key, (RECORD_NAME, SHEET_NAME, PAGE_NAME))
    failed = surveyed.failed + len(failures)
    return Outcome(record, written, kept, failed, tuple(trouble.message for trouble in failures))


def _run(
    todo: Sequence[tuple[FrameTask, str]],
    journal: Journal,
    executor: Executor,
    listen: Listener,
    split: bool,
) -> tuple[int, list[ScanTrouble]]:
    work = negative if split else develop
    pending = {executor.submit(work, task): (task, key) for task, key in todo}
    failures: list[ScanTrouble] = []
    written = 0
    try:
        for count, future in enumerate(as_completed(pending), 1):
            task, key = pending[future]
            name = f"{task.roll}_{task.frame.number}"
            try:
                files = future.result()
            except (Problem, OSError, MemoryError) as error:
                message = str(error) if isinstance(error, Problem) else f"{name}: {error}"
                failures.append(ScanTrouble(task.scan.path.name, message))
                listen(Event("failed", name, count, len(todo), message))
                if isinstance(error, OutputProblem) and not task.out.is_dir():
                    raise
                continue
            journal.note(task.frame.number, key, files)
            written += 1
            listen(Event("written", name, count, len(todo)))
    finally:
        _drop(pending)
    return written, failures


def _with_failures(record: RollRecord, failures: Sequence[ScanTrouble]) -> RollRecord:
    ordered = sorted(failures, key=lambda trouble: (trouble.scan, trouble.message))
    return replace(record, problems=(*record.problems, *ordered))


def _frame_key(task: FrameTask, scan_hash: str, split: bool) -> str:
    """Return what a frame's files depend on, by value: the scan's content, not its name or time."""
    parts = {name: value for name, value in vars(task).items() if name not in ("out", "scan")}
    return key_of(__version__, split, scan_hash, task.scan.page, task.scan.encoding, parts)


def _write_report(record: RollRecord, surveyed: SurveyedRoll, out: Path) -> None:
    pictures = {
        number.number: thumbnail_picture(frame, surveyed.colour, surveyed.roll.settings)
        for strip, numbers in zip(surveyed.strips, surveyed.numbers, strict=True)
        for frame, number in zip(strip.frames, numbers, strict=True)
        if frame.kind != "blank"
    }
    sheet = contact_sheet(pictures, record)
    metadata = FrameMetadata(title=f"{surveyed.roll.name} contact sheet", roll=surveyed.roll.name)
    write_share(
        out / SHEET_NAME, sheet, ppi=_SHEET_PPI, metadata=metadata, space=find_space("srgb")
    )
    small = {number: thumbnail(picture) for number, picture in pictures.items()}
    write_text(
        out / PAGE_NAME, page(record, small, contact_sheet=SHEET_NAME, roll_json=RECORD_NAME)
    )
    write_text(out / RECORD_NAME, to_json(record))
