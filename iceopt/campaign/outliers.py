"""Robust comparison of each module or run with the others at similar depths."""

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.stats import chi2, norm

FALSE_ALARMS = 1e-4
"""Chance that a campaign without any fault has one reported, for each kind of fault (Gaussian scatter)."""

NEIGHBOURS = 10
"""How many others, the nearest in depth, say what is usual: enough for a median, few enough to be local."""

_MAD_TO_SD = 1.4826
"""A Gaussian's standard deviation over its median absolute deviation."""


def critical_deviation(tests: int) -> float:
    """How many standard deviations on one side are still no fault, with so many modules or runs tested."""
    return float(norm.isf(FALSE_ALARMS / max(tests, 1)))


def most_expected(counts: NDArray[np.float64], tests: int) -> NDArray[np.float64]:
    """Upper limit of the mean of Poisson counts, at the false-alarm rate.

    Source: Garwood, Biometrika 28, 437 (1936).
    """
    return np.asarray(chi2.isf(FALSE_ALARMS / max(tests, 1), 2 * (counts + 1)) / 2)


def robust_sd(values: NDArray[np.float64]) -> float:
    """Standard deviation about zero from the median absolute value; 0 of none."""
    return _MAD_TO_SD * float(np.median(np.abs(values))) if values.size else 0.0


def tail_sd(values: NDArray[np.float64]) -> float:
    """Standard deviation about zero that allows for tails longer than a Gaussian's; 0 of none.

    The larger one of those that the median and the 90th percentile of the absolute values give; one in ten
    may be faulty.
    """
    if not values.size:
        return 0.0
    return max(robust_sd(values), float(np.quantile(np.abs(values), 0.9) / norm.isf(0.05)))


def neighbours(depth_m: NDArray[np.float64], known: NDArray[np.bool_]) -> sp.csr_array:
    """Weights of the `NEIGHBOURS` nearest known others in depth, shape (n, n), rows of sum 1.

    A row is empty where fewer than 3 others are known: nothing can be said of it.
    """
    sources = np.flatnonzero(known)
    rows, columns = [], []
    for i in range(depth_m.size):
        others = sources[sources != i]
        if others.size >= 3:
            nearest = others[np.argsort(np.abs(depth_m[others] - depth_m[i]), kind="stable")[:NEIGHBOURS]]
            rows.append(np.full(nearest.size, i))
            columns.append(nearest)
    shape = (depth_m.size, depth_m.size)
    if not rows:
        return sp.csr_array(shape)
    row, column = np.concatenate(rows), np.concatenate(columns)
    return sp.csr_array((1 / np.bincount(row)[row], (row, column)), shape)


def usual(values: NDArray[np.float64], around: sp.csr_array) -> NDArray[np.float64]:
    """Median of each one's neighbours; NaN where it has none."""
    lists = np.split(values[around.indices], around.indptr[1:-1])
    return np.array([np.median(entries) if entries.size else np.nan for entries in lists])
