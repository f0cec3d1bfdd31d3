"""Simulation-based calibration: whether posteriors are right on average over the prior.

Talts, Betancourt, Simpson, Vehtari, Gelman, arXiv:1804.06788 (2018): with a truth drawn from the prior and
counts drawn from the truth, the rank of the truth among independent posterior draws is uniform. Ranks that
heap up at one end tell of a bias, at both ends of intervals that are too narrow, in the middle of such that
are too wide.
"""

from dataclasses import dataclass

import numpy as np
import scipy.stats
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]

BINS = 10


def rank(draws: Array, truth: Array, many: int) -> Index:
    """Number of thinned draws below the truth, 0 to `many`.

    Parameters
    ----------
    draws : ndarray, shape (chain, draw, quantity)
    truth : ndarray, shape (quantity,)
    many : int
        Draws that are kept, evenly spaced: far fewer than the effective ones, so that they are independent.
    """
    flat = draws.reshape(-1, draws.shape[-1])
    kept = flat[np.linspace(0, len(flat) - 1, many).astype(int)]
    return np.asarray(np.sum(kept < truth, axis=0), dtype=np.int64)


@dataclass(frozen=True)
class Uniformity:
    """Tests of the ranks of one quantity."""

    chi_squared: float
    """Probability of a histogram this uneven by chance."""
    middle: float
    """Mean of the ranks as a standard score: far from 0 is a bias; positive, the draws lie too low."""
    width: float
    """Mean of (rank - middle)^2 as a standard score: positive, intervals are too narrow."""


def uniformity(ranks: Index, many: int) -> Uniformity:
    """Test ranks of 0 to `many` from independent simulations against a uniform distribution.

    Parameters
    ----------
    ranks : ndarray of int, shape (simulation,)
    many : int
    """
    place = (ranks + 0.5) / (many + 1)
    edges = np.round(np.linspace(0, many + 1, BINS + 1))
    seen = np.histogram(ranks, edges - 0.5)[0]
    expected = ranks.size * np.diff(edges) / (many + 1)
    spread = (place - 0.5) ** 2
    # Of a uniform number x on (0, 1): the variance of x is 1/12, that of (x - 1/2)^2 is 1/180.
    return Uniformity(
        chi_squared=float(scipy.stats.chisquare(seen, expected).pvalue),
        middle=float((place.mean() - 0.5) * np.sqrt(12.0 * ranks.size)),
        width=float((spread.mean() - 1.0 / 12.0) * np.sqrt(180.0 * ranks.size)),
    )


def smallest_of(probabilities: Array) -> float:
    """Probability that the smallest of several is as small as it is by chance, by Bonferroni's bound."""
    return float(min(1.0, probabilities.size * probabilities.min()))
