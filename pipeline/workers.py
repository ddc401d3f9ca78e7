"""Who does the work: threads of this machine, or the machines of a Dask cluster.

What crosses to a cluster are descriptions and small surveys, never pictures: workers read the
scans and write the files themselves, so their machines must see the same folders.
"""

import ctypes
import importlib
import logging
import time
import warnings
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError, Executor, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.problem import ClusterProblem
from pipeline.whole_file import trial_file

_CONNECT_SECONDS = 10.0
# Network disks may take a few seconds to show other machines a new file.
_SHOW_SECONDS, _POLL_SECONDS = 5.0, 0.25


@contextmanager
def workers(count: int, cluster: str | None, shared: Sequence[Path] = ()) -> Iterator[Executor]:
    """Yield an executor of so many threads, or that of the cluster at an address.

    Parameters
    ----------
    shared
        Files and folders that the machines of a cluster must see, as this one does.

    Raises
    ------
    ClusterProblem
        If there is no cluster to work on.
    """
    if cluster is not None:
        with cluster_executor(cluster, shared) as executor:
            yield executor
        return
    pool = ThreadPoolExecutor(count, thread_name_prefix="evenroll")
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def cluster_executor(address: str, shared: Sequence[Path]) -> Iterator[Executor]:
    """Yield an executor whose work is done by the workers of the cluster at `address`.

    A worker that is lost is made up for by the others.

    Parameters
    ----------
    shared
        Files and folders that every worker must see.

    Raises
    ------
    ClusterProblem
        If it can't be reached, has no workers, or its workers can't do this work.
    """
    library = _library()
    with _quiet(), warnings.catch_warnings():
        # Its remarks on other versions of its own parts are not for the user of this command.
        warnings.filterwarnings("ignore", module=r"distributed\.")
        client = _client(library, address)
        executor = client.get_executor(pure=False)
        try:
            _check_workers(client, address, shared)
            yield executor
        finally:
            executor.shutdown(wait=False)
            client.close(timeout=_CONNECT_SECONDS)


def is_lost(error: BaseException) -> bool:
    """Tell whether an error is the cluster's own: it gave work up."""
    return isinstance(error, CancelledError) or type(error).__module__.startswith("distributed.")


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
