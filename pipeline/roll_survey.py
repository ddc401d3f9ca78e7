"""Survey of a roll: all its scans, the numbers of its frames, and the one colour over them."""

import re
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline.colour import RollColour, from_profile, solve_roll, with_exposure
from pipeline.contact_sheet import counted
from pipeline.film import FilmProfile, find_film
from pipeline.numbering import FrameNumber, in_film_order, number_roll
from pipeline.problem import Problem, ScanProblem
from pipeline.record import ScanTrouble
from pipeline.settings import RollNotes, Settings
from pipeline.survey import ScanSurvey, StripSurvey, survey_scan

_NAME_BYTES = 80
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
    """A roll to work on: its scans in order, notes, settings, and the name its files carry.

    `problem` tells why a roll without scans has none.
    """

    name: str
    scans: tuple[Path, ...]
    notes: RollNotes
    settings: Settings
    problem: ScanProblem | None = None


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


def safe_name(text: str) -> str:
    """Return a text as part of a file name: letters, digits, . _ + -; never a path."""
    # Cut by bytes: file systems take 255 of them, and a letter may need four.
    cut = _SAFE.sub("-", text.strip()).encode()[:_NAME_BYTES].decode("utf-8", "ignore")
    return cut.strip(".-") or "roll"


def survey_roll(roll: Roll, executor: Executor, listen: Listener) -> SurveyedRoll:
    """Return the survey of all scans of a roll and the one colour solved from it.

    A scan that fails is listed in `problems`, and the others are done. What had to be assumed
    of several scans is told and listed once.

    Raises
    ------
    ScanProblem
        If the roll has no scans.
    SettingsProblem
        If its film profile makes no sense.
    """
    if roll.problem is not None:
        raise roll.problem
    profile = find_film(roll.settings.profile)
    surveys, problems = _surveys(roll, executor, listen)
    strips = in_film_order([strip for survey in surveys for strip in survey.strips])
    return SurveyedRoll(
        roll=roll,
        profile=profile,
        strips=strips,
        numbers=number_roll(strips, roll.settings.first_number),
        colour=_solved(strips, profile, roll.settings),
        clipped=any(survey.clipped for survey in surveys),
        problems=(*problems, *_notes(surveys, listen)),
        failed=len(problems),
    )


def _notes(surveys: Sequence[ScanSurvey], listen: Listener) -> list[ScanTrouble]:
    """Tell every note once, and return it under the first scan that it is true of."""
    scans: dict[str, list[str]] = {}
    for survey in surveys:
        for note in survey.notes:
            scans.setdefault(note, []).append(survey.path.name)
    troubles = []
    for note, (first, *more) in scans.items():
        listen(Event("noted", f"{first} and {len(more)} more" if more else first, 0, 0, note))
        alike = f" ({counted(len(more), 'more scan')} alike)" if more else ""
        troubles.append(ScanTrouble(first, note + alike))
    return troubles


def told(name: str, error: Exception) -> str:
    """Return one sentence for the user about what a worker raised."""
    if isinstance(error, Problem):
        return str(error)
    if isinstance(error, MemoryError):
        return f"{name}: does not fit in memory; set fewer workers."
    reason = " ".join(str(error).split()) or "no reason given"
    return f"{name}: can't be worked on ({type(error).__name__}: {reason}); report this as a bug."


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
            # One scan must not end the run, whatever it makes a worker stumble over.
            except Exception as error:
                message = told(name, error)
                problems[index] = ScanTrouble(name, message)
                listen(Event("failed", name, count, len(pending), message))
    finally:
        drop(pending)
    return [done[index] for index in sorted(done)], [problems[index] for index in sorted(problems)]


def drop(pending: Iterable[Future[Any]]) -> None:
    """Cancel what has not begun yet."""
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
