"""Laplace variables abreast: each on a thread of its own.

Threads of Python's and not a parallel loop of the compiler's, which would have to compile all that is inside
the loop once more. The kernels let go of the interpreter's lock.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from numba import get_num_threads


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
