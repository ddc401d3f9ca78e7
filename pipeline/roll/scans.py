"""Surveys of all scans of a roll, and what is told of them."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.diagnosis import fault_model
from pipeline.event import Event, Listener
from pipeline.frame import CLEAR
from pipeline.problem import ClusterProblem, Problem
from pipeline.record import ScanTrouble
from pipeline.roll.machines import give_back, is_lost
from pipeline.settings import Roll
from pipeline.survey import (
    ClearFilm,
    FrameSurvey,
    LookStore,
    NoBaseProblem,
    PictureStore,
    ScanSurvey,
    StripSurvey,
    no_base,
    read_clear_film,
    shared_clear_film,
    survey_scan,
)
from pipeline.words import counted

_SCANS_PER_TRIM = 16
# What solve and writing of every roll load where they need it.
_NEXT = ("pipeline.roll.convert", "scipy.linalg", "filelock")
# Bases that differ by less, in density, leave greys alike: it is about half of CIEDE2000 in print.
_SAME_BASE = 0.004
# More than a lens's fall-off makes of one base, in density.
_LIGHTER = 0.1
# Beyond what lenses, files and the eye of a camera make of the colour of one base, in density.
_OTHER_COLOUR = 0.06


def scan_notes(surveys: Sequence[ScanSurvey], listen: Listener) -> Iterator[ScanTrouble]:
    """Tell every note once, and yield it as kept, under the first scan that it is true of."""
    scans: dict[str, list[str]] = {}
    for survey in surveys:
        for note in survey.notes:
            scans.setdefault(note, []).append(survey.path.name)
    for note, (first, *more) in scans.items():
        alike = f" ({counted(len(more), 'more scan')} alike)" if more else ""
        heard = f"{first} and {len(more)} more" if more else first
        listen(Event("noted", heard, 0, 0, note))
        yield ScanTrouble(first, note + alike, "note")


def noted_as(listen: Listener, name: str, message: str) -> ScanTrouble:
    """Tell a note, and return it as kept."""
    listen(Event("noted", name, 0, 0, message))
    return ScanTrouble(name, message, "note")


def failed(
    listen: Listener, name: str, error: Exception, done: int = 0, total: int = 0
) -> ScanTrouble:
    """Tell a failure, and return it as kept."""
    message = told(name, error)
    listen(Event("failed", name, done, total, message))
    return ScanTrouble(name, message)


def told(name: str, error: Exception) -> str:
    """Return one sentence for the user about what a worker raised."""
    if isinstance(error, Problem):
        return str(error)
    if isinstance(error, MemoryError):
        return f"{name}: does not fit in memory; set fewer workers."
    if is_lost(error):
        return f"{name}: its workers died of it; give them more memory each and run again."
    reason = " ".join(str(error).split()) or "no reason given"
    return f"{name}: can't be worked on ({type(error).__name__}: {reason}); report this as a bug."


def survey_scans(
    roll: Roll, executor: Executor, listen: Listener, store: PictureStore, looks: LookStore
) -> tuple[list[ScanSurvey], list[ScanTrouble]]:
    """Return the surveys of a roll's scans in their order, and what of them failed.

    Files of one picture without a base in view are looked at again with that which the others
    show, and so are those whose own is not quite that, with the brightness of their own.

    Raises ScanProblem if the picture of clear film that the user names can't be used.
    """
    settings = roll.settings
    given = None
    if settings.base_scan is not None:
        given = read_clear_film(Path(settings.base_scan), settings.scan_gamma)
    each = _Each(roll, executor, listen, store)
    done, failures = each.survey(dict.fromkeys(range(len(roll.scans)), given), looks)
    shared = None
    if given is None and settings.base is None:
        shared = shared_clear_film([s.own for s in done.values() if s.own is not None])
        for k in _refuted(done, failures, shared is None or shared.steady):
            failures[k] = no_base(done.pop(k).path)
        owns = {k: survey.own for k, survey in done.items() if survey.own is not None}
        shared = shared_clear_film(list(owns.values()))
    if shared is not None:
        films = {k: shared for k, own in owns.items() if strays(own, shared)}
        films |= {k: shared for k, e in failures.items() if isinstance(e, NoBaseProblem)}
        again, still = each.survey(dict(sorted(films.items())), looks)
        done |= again
        failures = {k: still.get(k, error) for k, error in failures.items() if k not in again}
    troubles = [failed(listen, roll.scans[k].name, failures[k]) for k in sorted(failures)]
    for problem in roll.refused:
        name = roll.name if problem.path is None else problem.path.name
        troubles.append(failed(listen, name, problem))
    return [done[index] for index in sorted(done)], troubles


def _refuted(
    done: Mapping[int, ScanSurvey], failures: Mapping[int, Exception], steady: bool
) -> tuple[int, ...]:
    """Return the pictures whose own base is none: others are lighter.

    Nothing on a film is lighter than its base. Exposures are taken for the same, but where both
    pictures show a base that may be, or most do and it is not `steady`.
    """
    lightest = [
        np.asarray(error.lightest)
        for error in failures.values()
        if steady and isinstance(error, NoBaseProblem) and error.lightest is not None
    ]
    own = {k: survey.own for k, survey in done.items() if survey.own is not None}
    clear = [one for k, one in own.items() if _is_clear(done[k])]
    return tuple(
        k
        for k, one in own.items()
        if any(float((place - one.level()).min()) > _LIGHTER for place in lightest)
        or any(_is_picture(one, other) for other in clear)
    )


def _is_clear(survey: ScanSurvey) -> bool:
    """Tell whether a file shows its base for sure: as a strip, some frame of it has to be clear."""
    frames = [frame for strip in survey.strips for frame in strip.frames]
    return survey.single or any(frame.confidence >= CLEAR for frame in frames)


def _is_picture(one: ClearFilm, other: ClearFilm) -> bool:
    """Tell whether a base darker than another of its roll is a picture, by its colour.

    Exposure moves all channels alike, and one at full scale tells nothing.
    """
    off = (one.level() - other.level())[~(one.full() | other.full())]
    if len(off) < 2:
        return False
    return float(off.max()) < -_LIGHTER and float(np.abs(off - off.mean()).max()) > _OTHER_COLOUR


@dataclass(frozen=True)
class _Each:
    """How scans of a roll are surveyed, each by itself."""

    roll: Roll
    executor: Executor
    listen: Listener
    store: PictureStore

    def survey(
        self, films: Mapping[int, ClearFilm | None], looks: LookStore
    ) -> tuple[dict[int, ScanSurvey], dict[int, Exception]]:
        """Return surveys and failures of some scans, by their places in the roll.

        `films` holds the clear film for each, None where it has to be found.
        """
        scans, settings = self.roll.scans, self.roll.settings
        pending = {
            self.executor.submit(survey_scan, scans[k], settings, looks=looks, clear=clear): k
            for k, clear in films.items()
        }
        _load_ahead()
        done: dict[int, ScanSurvey] = {}
        failures: dict[int, Exception] = {}
        total = len(pending)
        try:
            for count, future in enumerate(as_completed(pending), 1):
                # What a future brought is held no longer than it.
                index = pending.pop(future)
                if not count % _SCANS_PER_TRIM:
                    give_back()
                try:
                    done[index] = put_away(future.result(), self.store)
                    self.listen(Event("surveyed", scans[index].name, count, total))
                except ClusterProblem:
                    raise
                # One scan must not end the run, whatever it makes a worker stumble over.
                except Exception as error:
                    failures[index] = error
        finally:
            drop(pending)
        return done, failures


def _load_ahead() -> None:
    """Load what comes after surveys, while nobody waits for it: it takes as long as a small one."""
    for name in _NEXT:
        import_module(name)
    fault_model()


def strays(own: ClearFilm, shared: ClearFilm) -> bool:
    """Tell whether a picture's own base is not quite the one that it shares with the roll.

    What differs is its colour, or how much lighter it is in the middle of the picture than at the
    border, where rebate shows it. One that is lighter or darker all over is under another exposure.
    """
    at_border = own.border() - shared.border()
    hollow = (own.level() - own.border()) - (shared.level() - shared.border())
    off = np.concatenate([at_border - at_border.mean(), 2.0 * hollow])
    return float(np.abs(off).max()) > _SAME_BASE


def put_away(survey: ScanSurvey, store: PictureStore) -> ScanSurvey:
    """Return a survey whose small pictures and samples the store keeps."""

    def put_away(frame: FrameSurvey) -> FrameSurvey:
        thumbnail, samples = np.asarray(frame.thumbnail), np.asarray(frame.samples)
        return replace(frame, thumbnail=store.put_away(thumbnail), samples=store.put_away(samples))

    strips = tuple(changed(strip, put_away) for strip in survey.strips)
    return replace(survey, strips=strips)


def changed(strip: StripSurvey, change: Callable[[FrameSurvey], FrameSurvey]) -> StripSurvey:
    """Return a strip with each of its frames changed."""
    return replace(strip, frames=tuple(map(change, strip.frames)))


def drop(pending: Iterable[Future[Any]]) -> None:
    """Cancel what has not begun yet."""
    for future in pending:
        future.cancel()
