"""Scans surveyed ahead of their turn, and a second look at those with unclear frames."""

from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, Executor, Future, ThreadPoolExecutor
from contextlib import suppress
from threading import Lock
from typing import Any, Generic, TypeVar
from weakref import WeakSet

from pipeline.event import Event, Listener
from pipeline.problem import ClusterProblem, ScanProblem
from pipeline.roll.habits import habits_of_roll, is_unclear
from pipeline.roll.machines import is_lost
from pipeline.settings import Settings
from pipeline.survey import LookStore, ScanSurvey, survey_scan

Found = TypeVar("Found")
Work = Callable[[int, Executor, Listener], Found]
"""Does a roll's part, by its index, with an executor, and tells a listener."""


class _Turn(Executor):
    """Holds back what is told of a roll until it is its turn, and knows what it has others do."""

    def __init__(self, executor: Executor) -> None:
        self._executor = executor
        self._pending: WeakSet[Future[Any]] = WeakSet()
        self._held: list[Event] = []
        self._listen: Listener | None = None
        self._dropped = False
        self._lock = Lock()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Have work done; raise where nobody wants it any more."""
        with self._lock:
            if self._dropped:
                raise CancelledError
            future = self._executor.submit(fn, *args, **kwargs)
            self._pending.add(future)
            return future

    def tell(self, event: Event) -> None:
        """Pass an event on, or keep it; raise where nobody will hear it any more."""
        with self._lock:
            if self._dropped:
                raise CancelledError
            if self._listen is None:
                self._held.append(event)
            else:
                self._listen(event)

    def come(self, listen: Listener) -> None:
        """Tell what was held back, and from now on all at once."""
        with self._lock:
            for event in self._held:
                listen(event)
            self._listen = listen

    def drop(self) -> None:
        """Hear no more, and have no more done."""
        with self._lock:
            self._dropped = True
            pending = list(self._pending)
        for future in pending:
            future.cancel()


class Ahead(Generic[Found]):
    """Work on rolls in their order, of which some begin before their turn.

    `count` is how many there are, `many` how many are begun at a time before their turn. What the
    work tells and raises comes in its turn, as if it had begun only then.
    """

    def __init__(self, work: Work[Found], executor: Executor, count: int, many: int = 1) -> None:
        self._work, self._executor, self._count, self._many = work, executor, count, many
        self._threads = ThreadPoolExecutor(many, thread_name_prefix="evenroll-ahead")
        self._begun: dict[int, tuple[_Turn, Future[Found]]] = {}

    def begin(self, index: int) -> None:
        """Begin a roll and those after it before their turn, as far as they aren't begun."""
        for each in range(index, min(index + self._many, self._count)):
            if each not in self._begun:
                turn = _Turn(self._executor)
                found = self._threads.submit(self._work, each, turn, turn.tell)
                self._begun[each] = (turn, found)

    def take(self, index: int, listen: Listener) -> Found:
        """Return what the work on a roll gave, begun before or done now; raise what it raised."""
        if index not in self._begun:
            return self._work(index, self._executor, listen)
        turn, found = self._begun[index]
        turn.come(listen)
        try:
            return found.result()
        finally:
            if found.done():
                del self._begun[index]

    def __enter__(self) -> "Ahead[Found]":
        """Return itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, *raised: object) -> None:
        """End what was begun and is not wanted any more, at its next step.

        That is waited for, but not after an interruption.
        """
        for turn, _ in self._begun.values():
            turn.drop()
        self._threads.shutdown(wait=kind is not KeyboardInterrupt)


def begin_again(
    settings: Settings, surveys: Sequence[ScanSurvey], executor: Executor, looks: LookStore
) -> dict[int, Future[ScanSurvey]]:
    """Begin to survey unclear scans again by what the others show of the camera."""
    habits = habits_of_roll(surveys)
    return {
        index: executor.submit(
            survey_scan, survey.path, settings, habits, looks=looks, clear=survey.clear
        )
        for index, survey in enumerate(surveys)
        if not any(strip.base.given and not survey.single for strip in survey.strips)
        and any(is_unclear(strip, habits) for strip in survey.strips)
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
