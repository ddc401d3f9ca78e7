"""The roll under review: its notes on the disk, its survey, and who is told when they change."""

import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Event as Flag
from threading import RLock
from typing import Any

from pipeline.event import Event, Listener
from pipeline.problem import Problem, SettingsProblem
from pipeline.review.change import Change, changed_notes
from pipeline.review.history import History
from pipeline.review.notes import Notes
from pipeline.review.notes_file import check_notes, notes_path, put_notes, text_of
from pipeline.review.pictures import Pictures
from pipeline.review.place import Placed, placed_frames
from pipeline.review.remembering import Remembering
from pipeline.review.shown import State, lost_scans, shown
from pipeline.roll import SurveyedRoll, frames_to_write, record_of, survey_roll, write_roll
from pipeline.settings import ROLL_FILE, Roll

Told = Callable[[], None]
"""Called, by any thread, when there is something new to look at."""


class _Stopped(Exception):
    """The person wants no more to be written now."""


def _unheard(_: Event) -> None:
    """Hear nothing: what is told of a survey stands in its problems."""


@dataclass
class _Writing:
    """Files on their way: how many are done, of how many, and how it ended."""

    done: int = 0
    total: int = 0
    began: float = field(default_factory=time.monotonic)
    stop: Flag = field(default_factory=Flag)
    ended: str = ""
    failed: list[str] = field(default_factory=list)
    changed: tuple[str, ...] = ()

    def document(self) -> dict[str, Any]:
        """Return what the page shows of it."""
        left = None
        if self.done and not self.ended:
            spent = time.monotonic() - self.began
            left = round(spent / self.done * (self.total - self.done), 1)
        return {
            "done": self.done, "total": self.total, "left_s": left, "ended": self.ended,
            "failed": self.failed, "changed": list(self.changed),
        }  # fmt: skip


class Desk:
    """One roll, looked over and put right; every change is on the disk before it counts.

    Notes are read again from the disk before each change, so that nothing that another program
    or window wrote is lost. Safe for threads.
    """

    def __init__(
        self, again: Callable[[], Roll], out: Path, executor: Executor, listen: Listener
    ) -> None:
        """Take up a roll whose notes and scans `again` reads; `listen` hears of its survey.

        Raises Problem if the roll can't be surveyed, or the folder not be written.
        """
        self.out, self.pictures = out, Pictures()
        self._again, self._executor = again, Remembering(executor)
        self._lock, self._listeners = RLock(), set[Told]()
        self._hand = ThreadPoolExecutor(1, thread_name_prefix="evenroll-write")
        self._writing: _Writing | None = None
        self._left = Flag()
        roll = again()
        self._notes = notes_path(roll)
        self._history = History(out, text_of(self._notes))
        self._state = self._looked_at(roll, 1, listen)

    @property
    def state(self) -> State:
        """Return the roll as it is now."""
        return self._state

    def document(self) -> dict[str, Any]:
        """Return all that the page shows but the pictures; notes changed elsewhere count."""
        with self._lock:
            self.refresh()
            writing = None if self._writing is None else self._writing.document()
            return shown(self._state, self._history, writing)

    def frame(self, key: str) -> Placed | None:
        """Return a frame by its key, None where there is none."""
        return next((p for p in placed_frames(self._state.surveyed) if p.key == key), None)

    def listen(self, told: Told) -> Callable[[], None]:
        """Have somebody told of what is new; return how they leave."""
        self._listeners.add(told)
        return lambda: self._listeners.discard(told)

    def change(self, change: Change) -> None:
        """Put a change into the notes, and look at the roll anew.

        Raises Problem if it makes no sense, can't be obeyed or can't be written; then nothing is
        changed.
        """
        with self._lock:
            self.refresh()
            text = text_of(self._notes)
            made = changed_notes(text or "", change, self._state.surveyed)
            if made.text == (text or ""):
                return
            check_notes(made.text, self._notes)
            put_notes(self._notes, made.text)
            try:
                state = self._looked_at(self._again(), self._revision())
                refused = _refused(self._state.surveyed, state.surveyed)
                if refused:
                    raise SettingsProblem(None, refused, "nothing was changed")
                self._history.add(made.text, made.what)
            except BaseException:
                put_notes(self._notes, text)
                raise
            self._state = state
        self._tell()

    def undo(self) -> None:
        """Take back the last change.

        Raises SettingsProblem if the notes hold what nobody could use yet, which would be lost.
        """
        with self._lock:
            self._settle()
            if self._history.to_undo is not None:
                self._step(self._history.before.text, -1)

    def redo(self) -> None:
        """Do again what was taken back last; raise as `undo` does."""
        with self._lock:
            self._settle()
            if self._history.to_redo is not None:
                self._step(self._history.after.text, 1)

    def _settle(self) -> None:
        self.refresh()
        now = self._history.now
        if now is None or text_of(self._notes) != now.text:
            what = "was changed outside of this page and can't be used as it is"
            raise SettingsProblem(self._notes, what, "correct it first")

    def _step(self, text: str | None, by: int) -> None:
        put_notes(self._notes, text)
        self._history.move(by)
        try:
            self._state = self._looked_at(self._again(), self._revision())
        except Problem as problem:
            self._in_trouble(problem)
        self._tell()

    def refresh(self, scans_too: bool = False) -> None:
        """Look at the roll anew if its notes were changed outside, or scans came."""
        with self._lock:
            text, now = text_of(self._notes), self._history.now
            told = now is not None and text == now.text
            if told and not scans_too and not self._state.trouble:
                return
            try:
                state = self._looked_at(self._again(), self._revision())
            except Problem as problem:
                self._in_trouble(problem)
                return
            if not told:
                self._history.add(text, "changed outside of this page")
            self._state = self._renamed(self._state.surveyed, state, text)
            self._tell()

    def _in_trouble(self, problem: Problem) -> None:
        """Show the roll as it was last, and why it can't be looked at as it is now."""
        if self._state.trouble != str(problem):
            self._state = replace(self._state, trouble=str(problem), revision=self._revision())
            self._tell()

    def write(self) -> None:
        """Make what is missing or changed, as the command does, while all else goes on."""
        with self._lock:
            if self._writing is not None and not self._writing.ended:
                return
            self._writing = writing = _Writing(total=len(self._state.pending))
            self._hand.submit(self._write, self._state.surveyed, writing)
        self._tell()

    def stop(self) -> None:
        """Write no more; frames under way are finished."""
        with self._lock:
            if self._writing is not None:
                self._writing.stop.set()

    @property
    def left(self) -> bool:
        """Tell whether the server is about to end."""
        return self._left.is_set()

    def leave(self) -> None:
        """Let go of everybody who listens, as the server is about to end."""
        self._left.set()
        self._tell()

    def wait(self) -> None:
        """Wait until what is being written is written."""
        self._hand.submit(int).result()

    def close(self) -> None:
        """End it: what is under way is finished."""
        self.stop()
        self._hand.shutdown(wait=True, cancel_futures=True)

    def _write(self, surveyed: SurveyedRoll, writing: _Writing) -> None:
        def listen(event: Event) -> None:
            if event.kind == "written":
                writing.done, writing.total = event.done, event.total
                self._tell()
            elif event.kind == "failed":
                writing.failed.append(event.message)
            if writing.stop.is_set():
                raise _Stopped

        try:
            outcome = write_roll(surveyed, self.out, self._executor, listen)
            writing.done = outcome.written
            writing.changed = outcome.changed
            writing.ended = "failed" if outcome.failed else "done"
        except _Stopped:
            writing.ended = "stopped"
        # One sentence of it reaches the person, whatever it is.
        except Exception as error:
            writing.failed.append(str(error))
            writing.ended = "failed"
        with self._lock:
            pending = frames_to_write(self._state.surveyed, self._state.record, self.out)
            self._state = replace(self._state, pending=pending, revision=self._revision())
        self._tell()

    def _looked_at(self, roll: Roll, revision: int, listen: Listener = _unheard) -> State:
        surveyed = survey_roll(roll, self._executor, listen)
        record = record_of(surveyed)
        pending = frames_to_write(surveyed, record, self.out)
        return State(revision, surveyed, record, pending, lost=lost_scans(surveyed))

    def _renamed(self, before: SurveyedRoll, state: State, text: str | None) -> State:
        """Return the roll with corrections kept at their frames, where scans that came counted on.

        Frames without a number in the film's edge are counted, and those after a new strip anew.
        """
        now = dict(_found_places(state.surveyed))
        names = {key: now[at] for at, key in _found_places(before) if now.get(at, key) != key}
        if not names or text is None:
            return state
        notes = Notes(text)
        notes.rename(names)
        if notes.text == text:
            return state
        put_notes(self._notes, notes.text)
        self._history.add(notes.text, "frames counted anew, as scans came")
        return self._looked_at(self._again(), state.revision)

    def _revision(self) -> int:
        return self._state.revision + 1

    def _tell(self) -> None:
        for told in tuple(self._listeners):
            told()


def _found_places(surveyed: SurveyedRoll) -> Iterator[tuple[Any, str]]:
    """Yield where each frame was found, and its number."""
    for strip in surveyed.found:
        for frame in strip.frames:
            yield (strip.scan.path, strip.scan.page, frame.outline), str(frame.key)


def _refused(before: SurveyedRoll, after: SurveyedRoll) -> str:
    """Return what a roll now says it can't obey, and didn't say before."""
    known = {each.message for each in before.problems}
    return next(
        (
            each.message.rstrip(".")
            for each in after.problems
            if each.message not in known and each.scan == ROLL_FILE
        ),
        "",
    )
