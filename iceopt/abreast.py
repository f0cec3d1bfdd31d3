"""Work abreast, on threads of Python's: the kernels let go of the interpreter's lock.

And not in parallel loops of the compiler's: it takes four times as long over these, two threads may not be in
them at once, and a copied process may not use them at all.
"""

from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
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
    threads = min(get_num_threads(), many)
    if threads <= 1:
        for j in range(many):
            work(j)
        return
    with ThreadPoolExecutor(threads) as pool:
        for _ in pool.map(work, range(many)):
            pass


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

    As many as there are threads go on at a time, each on one. What was begun and is not asked for is lost.

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
    threads = get_num_threads()
    if threads <= 1:
        yield from map(work, numbers)
        return
    begun: deque[Future[Found]] = deque()
    # A thread begins with all the threads of the process for its kernels.
    with ThreadPoolExecutor(threads, initializer=set_num_threads, initargs=(1,)) as pool:
        try:
            for number in numbers:
                begun.append(pool.submit(work, number))
                if len(begun) > threads:
                    yield begun.popleft().result()
            while begun:
                yield begun.popleft().result()
        finally:
            for waiting in begun:
                waiting.cancel()
