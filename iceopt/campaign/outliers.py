"""Robust comparison of each module or run with the others at similar depths."""

import numpy as np
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


def usual(
    values: NDArray[np.float64], depth_m: NDArray[np.float64], known: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Median of the `NEIGHBOURS` nearest others in depth among the known; NaN where fewer than 3 are."""
    medians = np.full(values.shape, np.nan)
    sources = np.flatnonzero(known)
    for i in range(values.size):
        others = sources[sources != i]
        if others.size >= 3:
            nearest = np.argsort(np.abs(depth_m[others] - depth_m[i]), kind="stable")[:NEIGHBOURS]
            medians[i] = np.median(values[others[nearest]])
    return medians
