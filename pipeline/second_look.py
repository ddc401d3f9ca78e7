"""A second look at scans with unclear frames, by what the rest of the roll shows of its camera."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, Future
from contextlib import suppress

from pipeline.frames import CLEAR
from pipeline.gate import GateHabit, shared_habit
from pipeline.problem import ClusterProblem, ScanProblem
from pipeline.settings import Settings
from pipeline.strip_survey import StripSurvey
from pipeline.survey import LookStore, ScanSurvey, survey_scan
from pipeline.workers import is_lost


def begin_again(
    settings: Settings, surveys: Sequence[ScanSurvey], executor: Executor, looks: LookStore
) -> dict[int, Future[ScanSurvey]]:
    """Begin to survey unclear scans again by what the others show of the camera."""
    habits = roll_habits([strip for survey in surveys for strip in survey.strips])
    if not habits:
        return {}
    return {
        index: executor.submit(survey_scan, survey.path, settings, habits, looks=looks)
        for index, survey in enumerate(surveys)
        if any(_unclear(strip, habits) for strip in survey.strips)
    }


def finished_again(
    surveys: Sequence[ScanSurvey],
    pending: dict[int, Future[ScanSurvey]],
    kept: Callable[[ScanSurvey], ScanSurvey],
) -> list[ScanSurvey]:
    """Return surveys, those that were done again as they came out and as `kept` leaves them."""
    again = list(surveys)
    try:
        for index in tuple(pending):
            # A scan that can't be read any more was read once, and that counts.
            with suppress(ScanProblem):
                again[index] = kept(_result(pending.pop(index)))
    finally:
        for future in pending.values():
            future.cancel()
    return again


def roll_habits(strips: Sequence[StripSurvey]) -> dict[str, GateHabit]:
    """Return what the strips of a roll show of its camera, by format; empty if too little."""
    counted_habits: dict[str, list[tuple[GateHabit, int]]] = {}
    for strip in strips:
        if strip.habit is not None:
            clear = sum(frame.confidence >= CLEAR for frame in strip.frames)
            counted_habits.setdefault(strip.format, []).append((strip.habit, clear))
    shared = {name: shared_habit(habits) for name, habits in counted_habits.items()}
    return {name: habit for name, habit in shared.items() if habit is not None}


def _result(future: Future[ScanSurvey]) -> ScanSurvey:
    """Return a survey without which the roll would come out otherwise."""
    try:
        return future.result()
    except Exception as error:
        if is_lost(error):
            raise ClusterProblem(
                None, "the cluster gave work up", "see to its workers and run again"
            ) from error
        raise


def _unclear(strip: StripSurvey, habits: Mapping[str, GateHabit]) -> bool:
    if strip.format not in habits:
        return True
    return any(frame.confidence < CLEAR for frame in strip.frames)
