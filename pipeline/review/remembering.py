"""An executor that remembers surveys, so that a roll looked at again reads no scan twice."""

from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path
from threading import Lock
from typing import Any

from pipeline.settings import Settings
from pipeline.survey import survey_scan

# Some seven surveys of each of a long roll's scans; one of them takes a few megabytes.
_MOST = 256
_PLAIN = Settings()
# What changes no survey.
_COLOURS = ("exposure", "even_exposure", "balance", "black", "white", "contrast", "gamma")


class Remembering(Executor):
    """Has work done by another executor, and surveys of a scan once for what they depend on.

    A scan counts by its path, size and times. What failed or was dropped is done again.
    """

    def __init__(self, executor: Executor) -> None:
        self._executor = executor
        self._surveys: OrderedDict[tuple[Any, ...], Future[Any]] = OrderedDict()
        self._lock = Lock()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Have work done, or return what it gave before."""
        if fn is not survey_scan:
            return self._executor.submit(fn, *args, **kwargs)
        path, settings, *others = args
        depends_on = replace(settings, **{name: getattr(_PLAIN, name) for name in _COLOURS})
        more = sorted((name, repr(value)) for name, value in kwargs.items() if name != "looks")
        key = (str(path), _state(path), repr((depends_on, *others)), tuple(more))
        with self._lock:
            known = self._surveys.get(key)
            if known is None or known.cancelled() or (known.done() and known.exception()):
                known = self._executor.submit(fn, *args, **kwargs)
                self._surveys[key] = known
                while len(self._surveys) > _MOST:
                    self._surveys.popitem(last=False)
            self._surveys.move_to_end(key)
            # Whoever asks may drop their own, but not what others wait for.
            return _following(known)


def _following(known: Future[Any]) -> Future[Any]:
    own: Future[Any] = Future()
    own.set_running_or_notify_cancel()

    def tell(done: Future[Any]) -> None:
        if done.cancelled():
            own.set_exception(RuntimeError("the work was dropped"))
        elif (error := done.exception()) is not None:
            own.set_exception(error)
        else:
            own.set_result(done.result())

    known.add_done_callback(tell)
    return own


def _state(path: Path) -> tuple[int, ...]:
    try:
        found = path.stat()
    except OSError:
        return ()
    return found.st_size, found.st_mtime_ns, found.st_ino
