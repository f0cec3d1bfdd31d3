"""Whether chains have converged, in numbers and in words.

Rank-normalised split R-hat, and bulk and tail effective sample size, as in Vehtari et al., Bayesian Anal.
16, 667 (2021).
"""

from dataclasses import dataclass

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from iceopt.fit.limits import LARGEST_RHAT, LEAST_ESS

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Diagnostics:
    """Convergence of every parameter."""

    rhat: Array
    ess_bulk: Array
    ess_tail: Array

    @property
    def worst_rhat(self) -> float:
        """Largest R-hat; NaN if any is NaN."""
        return float(np.max(self.rhat))

    @property
    def least_ess(self) -> float:
        """Smallest effective sample size, bulk or tail; NaN if any is NaN."""
        return float(np.min([self.ess_bulk, self.ess_tail]))

    @property
    def good(self) -> bool:
        """Whether both are within their limits; a NaN is not."""
        return self.worst_rhat < LARGEST_RHAT and self.least_ess > LEAST_ESS


def diagnose(draws: Array) -> Diagnostics:
    """Diagnose chains.

    Parameters
    ----------
    draws : ndarray, shape (chain, draw, parameter)

    Returns
    -------
    Diagnostics
    """
    columns = [draws[:, :, i] for i in range(draws.shape[2])]
    return Diagnostics(
        np.array([split_rhat(c) for c in columns]),
        np.array([_bulk_size(c) for c in columns]),
        np.array([_tail_size(c) for c in columns]),
    )


def split_rhat(draws: Array) -> float:
    """Rank-normalised split R-hat, the larger of bulk and folded; draws of shape (chain, draw).

    NaN if a chain does not move or holds a number that is not finite.
    """
    if not _moves(draws):
        return np.nan
    halves = _split(draws)
    folded = np.abs(halves - np.median(halves))
    return max(_rhat(_normal_ranks(halves)), _rhat(_normal_ranks(folded)))


def effective_size(halves: Array) -> float:
    """Effective sample size of chains, shape (chain, draw), by Geyer's initial monotone sequence.

    Geyer, Statist. Sci. 7, 473 (1992); the combination of chains as in Vehtari et al. (2021), eq. 10.
    """
    chains, draws = halves.shape
    if draws < 4 or not np.isfinite(halves).all() or np.ptp(halves) == 0:
        return np.nan
    covariance = np.array([_autocovariance(h) for h in halves])
    within = covariance[:, 0].mean() * draws / (draws - 1.0)
    total = within * (draws - 1.0) / draws
    if chains > 1:
        total += halves.mean(axis=1).var(ddof=1)
    correlation = 1.0 - (within - covariance.mean(axis=0)) / total
    correlation[0] = 1.0
    pairs = correlation[: draws - draws % 2].reshape(-1, 2).sum(axis=1)
    positive = int(np.argmax(pairs <= 0)) if (pairs <= 0).any() else pairs.size
    time = -1.0 + 2.0 * np.minimum.accumulate(pairs[:positive]).sum()
    if positive < pairs.size:
        time += max(correlation[2 * positive], 0.0)
    return chains * draws / max(time, 1.0 / np.log10(chains * draws))


def _bulk_size(draws: Array) -> float:
    return effective_size(_normal_ranks(_split(draws))) if _moves(draws) else np.nan


def _tail_size(draws: Array) -> float:
    if not _moves(draws):
        return np.nan
    halves = _split(draws)
    low, high = np.quantile(draws, [0.05, 0.95])
    return min(effective_size((halves <= q).astype(float)) for q in (low, high))


def _split(draws: Array) -> Array:
    half = draws.shape[1] // 2
    return np.concatenate([draws[:, :half], draws[:, draws.shape[1] - half :]])


def _normal_ranks(draws: Array) -> Array:
    ranks = scipy.stats.rankdata(draws, method="average").reshape(draws.shape)
    return scipy.stats.norm.ppf((ranks - 0.375) / (draws.size + 0.25))


def _rhat(halves: Array) -> float:
    draws = halves.shape[1]
    within = halves.var(axis=1, ddof=1).mean()
    between = halves.mean(axis=1).var(ddof=1)
    return float(np.sqrt((draws - 1.0) / draws + between / within))


def _moves(draws: Array) -> bool:
    return bool(np.isfinite(draws).all() and (np.ptp(draws, axis=1) > 0).all())


def _autocovariance(chain: Array) -> Array:
    size = chain.size
    padded = np.fft.rfft(chain - chain.mean(), 2 * size)
    return np.fft.irfft(padded * padded.conj(), 2 * size)[:size] / size
