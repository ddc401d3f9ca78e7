"""Work on the threads of workers: who gets what, and what is blamed for a lost worker."""

from concurrent.futures import Future

from pipeline.roll.hands import Hands, Work


def works(count: int) -> list[Work]:
    return [Work((index,), Future()) for index in range(count)]


def told(hands: Hands, threads: dict[str, int]) -> list[tuple[str, int]]:
    return [(address, work.call[0]) for address, work in hands.placed(threads)]


def with_work(count: int) -> tuple[Hands, list[Work]]:
    hands, made = Hands(), works(count)
    for work in made:
        hands.add(work)
    return hands, made


def test_each_thread_gets_one_piece_of_work_in_its_order():
    hands, made = with_work(5)
    assert told(hands, {"a": 1, "b": 2}) == [("a", 0), ("b", 1), ("b", 2)]
    assert told(hands, {"a": 1, "b": 2}) == []
    hands.done(made[0])
    assert told(hands, {"a": 1, "b": 2}) == [("a", 3)]
    # A worker that came later.
    assert told(hands, {"a": 1, "b": 2, "c": 1}) == [("c", 4)]


def test_work_that_nobody_wants_is_not_placed():
    hands, made = with_work(2)
    made[0].ours.cancel()
    assert told(hands, {"a": 1}) == [("a", 1)]


def test_work_of_a_lost_worker_is_done_again_alone():
    hands, made = with_work(4)
    told(hands, {"a": 2, "b": 2})
    back, given_up = hands.lost({"b": 2})
    assert (back, given_up) == ([made[0], made[2]], [])
    # The other worker is busy, and takes nothing else until it is free.
    hands.add(Work((9,), Future()))
    hands.done(made[1])
    assert told(hands, {"b": 2}) == []
    hands.done(made[3])
    assert told(hands, {"b": 2}) == [("b", 0)]
    hands.done(made[0])
    assert told(hands, {"b": 2}) == [("b", 2)]
    hands.done(made[2])
    assert told(hands, {"b": 2}) == [("b", 9)]


def test_other_workers_go_on_while_one_is_kept_free():
    hands, made = with_work(3)
    told(hands, {"a": 1, "b": 1, "c": 1})
    hands.lost({"b": 1, "c": 1})
    for more in (Work((8,), Future()), Work((9,), Future())):
        hands.add(more)
    hands.done(made[1])
    hands.done(made[2])
    assert told(hands, {"b": 1, "c": 1}) == [("b", 0), ("c", 8)]


def test_work_of_which_two_workers_died_is_given_up_and_nothing_else():
    hands, made = with_work(3)
    told(hands, {"a": 2, "b": 1})
    assert hands.lost({"b": 1})[1] == []
    hands.done(made[1])
    assert told(hands, {"b": 1}) == [("b", 0)]
    assert hands.lost({"c": 1}) == ([made[0]], [made[0]])
    assert told(hands, {"c": 1}) == [("c", 2)]
    assert [work.lost for work in made] == [2, 0, 1]
