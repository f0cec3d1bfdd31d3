"""Work abreast, on threads of Python's: the kernels let go of the interpreter's lock.

And not in parallel loops of the compiler's: it takes four times as long over these, two threads may not be in
them at once, and a copied process may not use them at all.
"""

import os
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from functools import cache
from typing import Any, TypeVar

from numba import get_num_threads, set_num_threads
from numpy.typing import NDArray

Found = TypeVar("Found")

_SHARES = 4
"""For each thread, so that one whose share is easy takes another."""


def abreast(work: Callable[[int], None], many: int) -> None:
    """Do work(0) to work(many - 1), on as many threads as the kernels may use.

    Parameters
    ----------
    work : callable
        Writes where no other number's work does.
    many : int

    Raises
    ------
    Exception
        What `work` raised.
    """
    helpers, numbers = min(get_num_threads(), many) - 1, iter(range(many))

    def take() -> None:
        for j in numbers:  # all take from one: whoever is free does the next
            work(j)

    begun = [_pool(get_num_threads() - 1).submit(take) for _ in range(helpers)]
    try:
        take()
    finally:
        begun = [helper for helper in begun if not helper.cancel()]
        wait(begun)
    for helper in begun:
        helper.result()


def in_shares(work: Callable[..., Any], *arrays: NDArray[Any]) -> None:
    """Do work on shares of arrays that hold all of them, abreast.

    Parameters
    ----------
    work : callable
        Given the same share of each array, as views along the first axis; what it finds it writes into some.
    *arrays : ndarray
        Equally long.

    Raises
    ------
    Exception
        What `work` raised.
    """
    many, threads = len(arrays[0]), get_num_threads()
    shares = min(_SHARES * threads, many) if threads > 1 else min(many, 1)
    edges = [many * i // max(shares, 1) for i in range(shares + 1)]
    abreast(lambda j: work(*(array[edges[j] : edges[j + 1]] for array in arrays)), shares)


def in_order(work: Callable[[int], Found], numbers: Iterable[int]) -> Generator[Found, None, None]:
    """Give the results of work in the order of its numbers; some are begun before they are asked for.

    As many as there are threads go on at a time, each on one, the caller's among them. What was begun and is
    not asked for is lost.

    Parameters
    ----------
    work : callable
        Changes nothing that another number's work reads.
    numbers : iterable of int

    Yields
    ------
    result of `work`

    Raises
    ------
    Exception
        What `work` raised.
    """
    threads, all_numbers = get_num_threads(), list(numbers)
    if threads <= 1:
        yield from map(work, all_numbers)
        return
    rounds = [all_numbers[i : i + threads] for i in range(0, len(all_numbers), threads)]
    ahead: list[Future[Found]] = []
    others: list[Future[Found]] = []
    try:
        # Helpers are a round ahead, so that a number that takes long keeps nobody waiting.
        for now, following in zip([[], *rounds], [*rounds, []], strict=True):
            others, ahead = ahead, [_pool(threads - 1).submit(work, number) for number in following[1:]]
            if now:
                yield _alone(work, now[0])
            while others:
                yield others.pop(0).result()
    finally:
        for helper in (*others, *ahead):
            helper.cancel()
        wait((*others, *ahead))


def _alone(work: Callable[[int], Found], number: int) -> Found:
    """Work with one thread for the kernels."""
    threads = get_num_threads()
    set_num_threads(1)
    try:
        return work(number)
    finally:
        set_num_threads(threads)


@cache
def _pool(helpers: int) -> ThreadPoolExecutor:
    """Threads that last, beside the caller's; a thread begins with all of the process for its kernels."""
    return ThreadPoolExecutor(helpers, initializer=set_num_threads, initargs=(1,))


if hasattr(os, "register_at_fork"):  # a copied process has none of the threads
    os.register_at_fork(after_in_child=_pool.cache_clear)
