"""How many threads the kernels use: decided once, before the numerical libraries load."""

import os

from iceopt.errors import InputError

VARIABLE = "ICEOPT_THREADS"
_BLAS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def set_threads(requested: int | None = None) -> int:
    """Fix the number of kernel threads and give BLAS one thread.

    The kernels run in parallel over pairs and walkers themselves, so a threaded BLAS inside them would only
    take the cores twice.

    Parameters
    ----------
    requested : int, optional
        From `--threads`; else from the environment variable ICEOPT_THREADS; else the cores that this
        process may use.

    Returns
    -------
    int
        The number of threads in force.

    Raises
    ------
    InputError
        If the number is not a whole number of at least 1.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)
    text = os.environ.get(VARIABLE, str(cores)) if requested is None else str(requested)
    if not text.isdecimal() or int(text) < 1:
        raise InputError(f"the number of threads is {text!r}; expected a whole number of at least 1")
    threads = int(text)
    for name in _BLAS:
        os.environ[name] = "1"
    os.environ["NUMBA_NUM_THREADS"] = str(threads)
    os.environ["POLARS_MAX_THREADS"] = str(threads)
    os.environ[VARIABLE] = str(threads)
    return threads
