"""What is written while the next stage works: in order, one at a time, and errors are raised."""

import threading

import pytest

from cloudprep.engine.behind import WAITING_BYTES, Behind


@pytest.mark.parametrize("at_once", [True, False])
def test_things_are_done_in_order_and_taken_by_who_waits(at_once):
    taken, threads = [], set()

    def work(k):
        threads.add(threading.current_thread())
        return k

    with Behind(at_once=at_once) as behind:
        for k in range(5):
            behind.do(lambda k=k: work(k), taken.append)
            assert len(taken) >= k
        behind.wait()
    assert taken == [0, 1, 2, 3, 4]
    assert (threading.current_thread() in threads) == at_once


def test_what_goes_wrong_is_raised_by_the_next_one():
    with Behind(at_once=False) as behind:
        behind.do(lambda: 1 / 0, print)
        with pytest.raises(ZeroDivisionError):
            behind.do(lambda: 1, print)
        behind.wait()  # nothing is under way


def test_one_is_under_way_at_a_time_and_the_rest_goes_on():
    gate, seen = threading.Event(), []
    with Behind(at_once=False) as behind:
        behind.do(lambda: gate.wait(10), seen.append)
        assert not seen
        gate.set()
        behind.wait()
    assert seen == [True]


def test_small_things_wait_for_each_other_and_nobody_waits_for_them():
    gate, taken = threading.Event(), []
    with Behind(at_once=False) as behind:
        for k in range(3):
            behind.do(lambda k=k: gate.wait(10) and k, taken.append, held=WAITING_BYTES // 3)
        assert not taken
        threading.Timer(0.05, gate.set).start()
        behind.do(lambda: 3, taken.append, held=WAITING_BYTES // 3)  # one too many: the first must be done
        assert taken[0] == 0
        behind.wait()
    assert taken == [0, 1, 2, 3]
