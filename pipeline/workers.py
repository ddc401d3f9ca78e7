"""Who does the work: threads of this machine, or the machines of a cluster."""

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path


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
        from pipeline.cluster import cluster_executor

        with cluster_executor(cluster, shared) as executor:
            yield executor
        return
    pool = ThreadPoolExecutor(count, thread_name_prefix="evenroll")
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
