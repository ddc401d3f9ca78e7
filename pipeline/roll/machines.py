"""Who does the work: threads of this machine, or the machines of a Dask cluster.

What crosses to a cluster are descriptions and small surveys, never pictures: workers read the
scans and write the files themselves, so their machines must see the same folders.
"""

import ctypes
import importlib
import logging
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.problem import ClusterProblem
from pipeline.roll.hands import Hands, Work
from pipeline.whole_file import trial_file

_CONNECT_SECONDS = 10.0
# Network disks may take a few seconds to show other machines a new file.
_SHOW_SECONDS, _POLL_SECONDS = 5.0, 0.25
# What watches over a cluster starts a worker that was killed anew within seconds.
_WITHOUT_WORKERS_SECONDS, _LOOK_SECONDS = 120.0, 1.0
_GONE = ("has gone", "see that its scheduler runs and run again")


@contextmanager
def workers(count: int, cluster: str | None, shared: Sequence[Path] = ()) -> Iterator[Executor]:
    """Yield an executor of so many threads, or that of the cluster at an address.

    The machines of a cluster must see all files and folders `shared`, as this one does. At its end
    what is under way is waited for, but not after an interruption: who wants it finished has waited
    by then.

    Raises ClusterProblem if there is no cluster to work on.
    """
    if cluster is not None:
        with cluster_executor(cluster, shared) as executor:
            yield executor
        return
    pool, awaited = ThreadPoolExecutor(count, thread_name_prefix="evenroll"), True
    try:
        yield pool
    except KeyboardInterrupt:
        awaited = False
        raise
    finally:
        pool.shutdown(wait=awaited, cancel_futures=True)


class LostWorkersError(Exception):
    """One worker after the other was lost while it did the same work."""


class ClusterExecutor(Executor):
    """Has the workers of a cluster work, and tells when there is none any more.

    Then all that is waited for, and all that is submitted later, raises ClusterProblem. Work of
    which two workers died raises LostWorkersError, and the rest is done. `client` is the library's,
    `address` what the user calls the cluster by.
    """

    def __init__(self, client: Any, address: str) -> None:
        self._client, self._address = client, address
        self._there: dict[str, Executor] = {}
        self._threads: Mapping[str, int] = {}
        self._placing, self._waiting = Hands(), dict[Future[Any], Work]()
        self._gone: ClusterProblem | None = None
        self._lock = threading.RLock()
        self._ended = threading.Event()
        threading.Thread(target=self._watch, name="evenroll-cluster", daemon=True).start()

    @property
    def hands(self) -> int:
        """Return how many tasks its workers do at a time."""
        return sum(self._client.nthreads().values())

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Have work done; raise ClusterProblem where the cluster has gone."""
        work = Work((_do, __version__, fn, args, kwargs), Future())
        with self._lock:
            if self._gone is not None:
                raise self._gone
            self._waiting[work.ours] = work
            self._placing.add(work)
            self._place()
        work.ours.add_done_callback(self._drop)
        return work.ours

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Have no more work done."""
        self._ended.set()
        for there in self._there.values():
            # The library raises where the connection has gone, and with it what was to end.
            with suppress(Exception):
                there.shutdown(wait=wait)

    def _place(self) -> None:
        """Hand work to workers that are free; the library is to give it to nobody else."""
        with self._lock:
            for address, work in self._placing.placed({} if self._gone else self._threads):
                if address not in self._there:
                    own = {"workers": [address], "allow_other_workers": False}
                    self._there[address] = self._client.get_executor(pure=False, **own)
                work.theirs = self._there[address].submit(*work.call)
                work.theirs.add_done_callback(partial(self._pass_on, work))

    def _drop(self, ours: Future[Any]) -> None:
        with self._lock:
            work = self._waiting.pop(ours, None)
            if work is None or not ours.cancelled():
                return
            self._take_back(work)
            self._placing.done(work)
            self._place()
        # By this those who wait for several take note.
        ours.set_running_or_notify_cancel()

    def _take_back(self, work: Work) -> None:
        """Hear no more of work that somebody does."""
        theirs, work.theirs = work.theirs, None
        if theirs is not None:
            theirs.cancel()

    def _pass_on(self, work: Work, theirs: Future[Any]) -> None:
        with self._lock:
            if work.theirs is not theirs:
                return
            # What nobody here has cancelled was lost with the connection.
            if theirs.cancelled() and not self._ended.is_set():
                self._give_up(*_GONE)
            self._placing.done(work)
            self._place()
        if theirs.cancelled():
            self._end(work, self._problem("was left", "run again"))
        elif (error := theirs.exception()) is not None:
            self._end(work, error)
        elif self._is_waited_for(work):
            work.ours.set_result(theirs.result())

    def _end(self, work: Work, error: BaseException) -> None:
        if self._is_waited_for(work):
            work.ours.set_exception(error)

    def _is_waited_for(self, work: Work) -> bool:
        """Tell, once, whether anybody waits for what becomes of work."""
        with self._lock:
            is_waited_for = self._waiting.pop(work.ours, None) is not None
        return is_waited_for and work.ours.set_running_or_notify_cancel()

    def _look(self) -> None:
        """Look who is there, and have the work of workers that are lost done by others."""
        threads = self._client.nthreads()
        with self._lock:
            self._threads = threads
            back, given_up = self._placing.lost(threads)
            for work in back:
                self._take_back(work)
            self._place()
        for work in given_up:
            self._end(work, LostWorkersError())

    def _give_up(self, what: str, remedy: str) -> None:
        with self._lock:
            self._gone = self._gone or self._problem(what, remedy)
            left = list(self._waiting.values())
        for work in left:
            self._end(work, self._gone)

    def _problem(self, what: str, remedy: str) -> ClusterProblem:
        return ClusterProblem(None, f"the cluster at '{self._address}' {what}", remedy)

    def _watch(self) -> None:
        """Give up where there have been no workers for long, or the scheduler has gone.

        Of that the library tells those who wait for what it does, but by then work may have been
        taken back from a worker that went first.
        """
        seen = time.monotonic()
        while True:
            if getattr(self._client, "status", None) == "closed":
                self._give_up(*_GONE)
            with suppress(Exception):
                self._look()
                if self._threads:
                    seen = time.monotonic()
            if not self._waiting:
                seen = time.monotonic()
            if time.monotonic() - seen > _WITHOUT_WORKERS_SECONDS:
                self._give_up("has lost all of its workers", "start some and run again")
            if self._ended.wait(_LOOK_SECONDS):
                return


def _do(
    version: str, work: Callable[..., Any], args: Sequence[Any], kwargs: Mapping[str, Any]
) -> Any:
    """Do work on a worker, which may have come after the workers were looked at."""
    if version != __version__:
        what = f"a worker that came later has evenroll {__version__}, and not {version}"
        raise ClusterProblem(None, what, "install the same version on all machines and run again")
    return work(*args, **kwargs)


def scratch_folder(otherwise: Path) -> Path:
    """Return where this process puts scratch files: a cluster's worker has a folder for them."""
    library = sys.modules.get("distributed")
    if library is not None:
        # Raised where it is no worker that asks.
        with suppress(ValueError):
            return Path(library.get_worker().local_directory)
    return otherwise


@contextmanager
def cluster_executor(address: str, shared: Sequence[Path]) -> Iterator[ClusterExecutor]:
    """Yield an executor whose work is done by the workers of the cluster at `address`.

    Every worker must see the files and folders `shared`. A worker that is lost is made up for by
    the others.

    Raises ClusterProblem if it can't be reached, has no workers, or its workers can't do this work.
    """
    library = _library()
    with _quiet(), warnings.catch_warnings():
        # Its remarks on other versions of its own parts are not for the user of this command.
        warnings.filterwarnings("ignore", module=r"distributed\.")
        client = _client(library, address)
        executor = ClusterExecutor(client, address)
        try:
            _check_workers(client, address, shared)
            yield executor
        finally:
            executor.shutdown(wait=False)
            client.close(timeout=_CONNECT_SECONDS)


def is_lost(error: BaseException) -> bool:
    """Tell whether an error is the cluster's own: its workers died of a task, or gave it up."""
    own = type(error).__module__.startswith("distributed.")
    return own or isinstance(error, LostWorkersError)


def _library() -> Any:
    try:
        return importlib.import_module("distributed")
    except ImportError as error:
        raise ClusterProblem(
            None,
            "this installation can't work on a cluster",
            "run pip install 'evenroll[cluster]'",
        ) from error


def _client(library: Any, address: str) -> Any:
    try:
        return library.Client(address, timeout=_CONNECT_SECONDS, set_as_default=False)
    # Wrong addresses make it raise nearly anything, and all of it means the same here.
    except Exception as error:
        raise ClusterProblem(
            None,
            f"no cluster answers at '{address}'",
            "give the address of its scheduler, such as tcp://10.0.0.1:8786",
        ) from error


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the library from writing to stderr what the command tells in its own words."""
    found = [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]
    loggers = [logging.getLogger(name) for name in ("distributed", *found)]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


def _check_workers(client: Any, address: str, shared: Sequence[Path]) -> None:
    """Raise if there are no workers, or if any is of another version or sees other folders."""
    if not client.nthreads():
        raise ClusterProblem(None, f"the cluster at '{address}' has no workers", "start some")
    with ExitStack() as trials:
        # A folder of that name may be another one there, so it is a file in it that counts.
        seen = [trials.enter_context(trial_file(p)) if p.is_dir() else p for p in shared]
        looks = client.run(_look, tuple(str(path) for path in seen), on_error="return")
    for name, told in looks.items():
        if isinstance(told, BaseException) or told[0] != __version__:
            raise ClusterProblem(
                None,
                f"the worker {name} has no evenroll {__version__}",
                "install the same version on all machines",
            )
        if told[1] is not None:
            path = shared[seen.index(Path(told[1]))]
            raise ClusterProblem(
                path, f"is not seen by the worker {name}", "use folders that all machines share"
            )


def _look(paths: tuple[str, ...]) -> tuple[str, str | None]:
    """Return a worker's version and the first of the paths that it doesn't see."""
    until = time.monotonic() + _SHOW_SECONDS
    while True:
        unseen = next((path for path in paths if not Path(path).exists()), None)
        if unseen is None or time.monotonic() > until:
            return __version__, unseen
        time.sleep(_POLL_SECONDS)


def give_back() -> None:
    """Give free memory back to the system where its allocator can be asked to (glibc).

    Between what stays, such as one scan's small records, that of large arrays is kept and seldom
    fits the next ones: over a thousand scans it would come to gigabytes.
    """
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError, TypeError):
        return
    trim(0)
