"""Rolls whose survey begins before their turn: told, raised and ended as if it had not."""

import threading
import time
from concurrent.futures import CancelledError, ThreadPoolExecutor, wait

import pytest

from pipeline.event import Event
from pipeline.roll.ahead import Ahead


def event(name: str) -> Event:
    return Event("noted", name, 0, 0)


@pytest.fixture
def pool():
    with ThreadPoolExecutor(1) as pool:
        yield pool


def test_what_is_told_waits_for_the_turn_and_keeps_its_order(pool):
    begun = threading.Event()

    def work(index, executor, listen):
        listen(event(f"{index} first"))
        executor.submit(int).result()
        listen(event(f"{index} second"))
        begun.set()
        return index

    heard = []
    with Ahead(work, pool, 2) as ahead:
        ahead.begin(1)
        assert begun.wait(10)
        assert ahead.take(0, heard.append) == 0
        assert [each.name for each in heard] == ["0 first", "0 second"]
        assert ahead.take(1, heard.append) == 1
    assert [each.name for each in heard] == ["0 first", "0 second", "1 first", "1 second"]


def test_a_roll_is_begun_once_and_none_beyond_the_last(pool):
    done = []
    with Ahead(lambda index, *_: done.append(index), pool, 2) as ahead:
        for index in (1, 1, 2):
            ahead.begin(index)
        ahead.take(1, lambda _: None)
    assert done == [1]


def test_several_rolls_begin_together_and_are_told_in_their_turns(pool):
    together = threading.Barrier(3)

    def work(index, executor, listen):
        listen(event(f"{index}"))
        together.wait(10)
        return index

    heard = []
    with Ahead(work, pool, 4, many=2) as ahead:
        ahead.begin(2)
        together.wait(10)
        assert [ahead.take(index, heard.append) for index in (2, 3)] == [2, 3]
    assert [each.name for each in heard] == ["2", "3"]


def test_what_it_raises_is_raised_in_its_turn(pool):
    def work(index, executor, listen):
        raise ValueError(f"roll {index}")

    with Ahead(work, pool, 2) as ahead:
        ahead.begin(1)
        with pytest.raises(ValueError, match="roll 1"):
            ahead.take(1, lambda _: None)


def test_what_is_not_wanted_any_more_is_cancelled_and_not_told(pool):
    """As after Ctrl-C, or with --strict: what waits for a worker is never done."""
    started, ended, raised = threading.Event(), threading.Event(), []

    def work(index, executor, listen):
        futures = [executor.submit(time.sleep, 0.05 if n == 0 else 60.0) for n in range(3)]
        started.set()
        wait(futures[1:])
        for attempt in (lambda: listen(event("late")), lambda: executor.submit(int)):
            try:
                attempt()
            except CancelledError as error:
                raised.append(error)
        ended.set()

    def interrupted():
        with Ahead(work, pool, 2) as ahead:
            ahead.begin(1)
            assert started.wait(10)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert ended.wait(10)
    assert len(raised) == 2
