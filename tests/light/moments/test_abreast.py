"""Work on several threads: all of it, on the threads allowed, errors raised."""

import threading

import numba
import numpy as np
import pytest

from iceopt.light.moments.abreast import abreast


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
