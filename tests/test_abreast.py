"""Work on several threads: all of it, on the threads allowed, errors raised."""

import os
import threading
import time
from contextlib import closing

import numba
import numpy as np
import pytest

from iceopt.abreast import abreast, in_order, in_shares
from iceopt.fit.workers import side_by_side


@pytest.fixture
def one_thread():
    before = numba.get_num_threads()
    numba.set_num_threads(1)
    yield
    numba.set_num_threads(before)


@pytest.mark.parametrize("many", [0, 1, 7])
def test_all_is_done_once(many):
    done = np.zeros(many, dtype=int)

    def work(j):
        done[j] += 1

    abreast(work, many)
    assert (done == 1).all()


def test_one_thread_is_the_callers(one_thread):
    seen = set()
    abreast(lambda j: seen.add(threading.get_ident()), 5)
    assert seen == {threading.get_ident()}


def test_no_more_threads_than_are_allowed():
    seen = set()
    abreast(lambda j: seen.add(threading.get_ident()), 50)
    assert len(seen) <= numba.get_num_threads()


def test_an_error_is_raised():
    def work(j):
        if j == 2:
            raise ValueError("no light")

    with pytest.raises(ValueError, match="no light"):
        abreast(work, 4)


@pytest.mark.parametrize("many", [0, 1, 7, 100])
def test_shares_hold_all_of_it_once(many):
    done = np.zeros(many, dtype=int)

    def work(share):
        share += 1

    in_shares(work, done)
    assert (done == 1).all()


def test_one_thread_takes_one_share(one_thread):
    seen = []
    in_shares(seen.append, np.arange(100))
    assert [list(share) for share in seen] == [list(range(100))]


def test_results_come_in_order_however_long_they_take():
    def work(j):
        time.sleep(0.02 if j % 3 == 0 else 0.0)
        return j * j

    assert list(in_order(work, range(3, 20))) == [j * j for j in range(3, 20)]


def test_work_in_order_has_one_thread_for_its_kernels():
    before = numba.get_num_threads()
    assert set(in_order(lambda j: numba.get_num_threads(), range(10))) == {1}
    assert numba.get_num_threads() == before


def test_little_is_begun_that_is_not_asked_for():
    begun = []
    with closing(in_order(begun.append, range(100))) as found:
        next(found)
        next(found)
    assert len(begun) <= 2 + 2 * numba.get_num_threads()


def test_an_error_of_work_in_order_is_raised():
    def work(j):
        if j == 2:
            raise ValueError("no light")
        return j

    found = in_order(work, range(9))
    with pytest.raises(ValueError, match="no light"):
        list(found)


def test_all_calls_have_the_same_threads():
    seen = set()
    for _ in range(30):
        abreast(lambda j: seen.add(threading.get_ident()), 20)
    assert len(seen) <= numba.get_num_threads()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are not copied here")
def test_a_copied_process_has_threads_of_its_own():
    def work(number):
        done = np.zeros(50, dtype=int)

        def add(j):
            done[j] += number

        abreast(add, done.size)
        return int(done.sum()) + sum(in_order(lambda j: j, range(5)))

    assert work(1) == 60
    assert side_by_side(work, 4, 2) == [10, 60, 110, 160]
