"""Threads of this machine; the cluster has a test of its own."""

import threading

import pytest

from pipeline.workers import workers


def test_so_many_work_at_a_time():
    gate = threading.Barrier(3, timeout=30)
    with workers(3, None) as executor:
        waiting = [executor.submit(gate.wait) for _ in range(3)]
        assert sorted(future.result() for future in waiting) == [0, 1, 2]


def test_what_has_not_begun_is_dropped_when_the_run_ends_early():
    release, begun = threading.Event(), threading.Event()

    def wait() -> bool:
        begun.set()
        return release.wait(30)

    futures = []

    def stopped() -> None:
        with workers(1, None) as executor:
            futures.extend(executor.submit(wait) for _ in range(3))
            begun.wait(30)
            release.set()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert futures[0].result() is True
    assert all(future.done() for future in futures)
