"""Work side by side: order, errors and deaths of the processes that share it."""

import os

import numpy as np
import pytest

from iceopt.errors import InputError
from iceopt.fit.workers import side_by_side

PROCESSES = [1, 2, 3, 9]


@pytest.mark.parametrize("processes", PROCESSES)
def test_results_come_in_order(processes):
    found = side_by_side(lambda i: np.full(3, i), 5, processes)
    np.testing.assert_array_equal(found, np.repeat(np.arange(5), 3).reshape(5, 3))


def test_several_processes_share_the_work():
    assert len(set(side_by_side(lambda i: os.getpid(), 6, 3))) == 3


@pytest.mark.parametrize("processes", PROCESSES)
@pytest.mark.parametrize("odd", [0, 3])
def test_an_error_is_raised_here(processes, odd):
    def work(i):
        if i == odd:
            raise InputError(f"number {i} is odd")
        return i

    with pytest.raises(InputError, match=f"number {odd} is odd"):
        side_by_side(work, 4, processes)


def test_a_process_that_dies_is_noticed():
    here = os.getpid()

    def work(i):
        if os.getpid() != here:
            os.kill(os.getpid(), 9)
        return i

    with pytest.raises(RuntimeError, match="died"):
        side_by_side(work, 4, 2)
