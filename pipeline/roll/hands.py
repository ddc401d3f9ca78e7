"""Which worker of a cluster does what, and what becomes of the work of one that is lost."""

from collections import deque
from collections.abc import Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

# One worker may be lost by chance; two in a row of the same work, done alone, are not.
_MOST_LOST = 2


@dataclass(eq=False)
class Work:
    """A call that is to be done, and what its caller waits for.

    `theirs` stands for it on its worker, `lost` counts workers that were lost while they did it.
    """

    call: tuple[Any, ...]
    ours: Future[Any]
    theirs: Future[Any] | None = None
    lost: int = 0


class Hands:
    """The threads of workers, each with one piece of work at a time. Not safe for threads.

    Work during which a worker was lost is done again on a worker that does nothing else. So what
    kills workers is told from what was done beside it.
    """

    def __init__(self) -> None:
        self._waiting: deque[Work] = deque()
        self._suspects: deque[Work] = deque()
        self._busy: dict[str, list[Work]] = {}

    def add(self, work: Work) -> None:
        """Have work wait for its turn."""
        self._waiting.append(work)

    def placed(self, threads: Mapping[str, int]) -> Iterator[tuple[str, Work]]:
        """Place what waits on workers that are free; yield addresses and work.

        `threads` are those of each worker, by its address.
        """
        free = dict(sorted(threads.items(), key=lambda each: len(self._busy.get(each[0], ()))))
        held_back = False
        for address in list(free):
            busy = self._busy.get(address, [])
            if any(work.lost for work in busy):
                del free[address]
            elif not held_back and self._drained(self._suspects):
                del free[address]
                # The least busy worker takes nothing else until it can do this alone.
                held_back = bool(busy)
                if not busy:
                    yield self._place(address, self._suspects.popleft())
        while free and self._drained(self._waiting):
            address = min(free, key=lambda each: len(self._busy.get(each, ())) / free[each])
            if len(self._busy.get(address, ())) >= free[address]:
                return
            yield self._place(address, self._waiting.popleft())

    def done(self, work: Work) -> None:
        """Know that work is done, or wanted no more."""
        for address, busy in list(self._busy.items()):
            if work in busy:
                busy.remove(work)
                if not busy:
                    del self._busy[address]

    def lost(self, threads: Mapping[str, int]) -> tuple[list[Work], list[Work]]:
        """Take back the work of workers that are no more; return it, and what is given up of it."""
        back, given_up = [], []
        for address in [each for each in self._busy if each not in threads]:
            for work in self._busy.pop(address):
                work.lost += 1
                back.append(work)
                if work.lost < _MOST_LOST:
                    self._suspects.append(work)
                else:
                    given_up.append(work)
        return back, given_up

    def _place(self, address: str, work: Work) -> tuple[str, Work]:
        self._busy.setdefault(address, []).append(work)
        return address, work

    @staticmethod
    def _drained(queue: deque[Work]) -> bool:
        """Tell whether anything in a queue is still wanted; what is not goes."""
        while queue and queue[0].ours.done():
            queue.popleft()
        return bool(queue)
