"""From a model's expected signal to expected counts: brightness, efficiency, clock offset, dark counts.

The clock offset shifts the light by a few ns within bins of some tens. The cumulative counts at the bin
edges are joined by cubic Hermite pieces and read off at the shifted edges, so no count is made or lost. The
slopes at the edges are harmonic means of the neighbouring bins (Fritsch, Butland, SIAM J. Sci. Stat.
Comput. 5, 300 (1984)), so the shifted counts are never negative.
"""

from functools import partial

import numpy as np
from numba import njit
from numpy.typing import NDArray

from iceopt.abreast import in_shares

Array = NDArray[np.float64]


def expected_counts(
    signal: Array, log_amplitude: Array, offset_ns: Array, dark: Array, bin_ns: float
) -> Array:
    """Expected counts with brightness x efficiency, clock offset and dark counts.

    Parameters
    ----------
    signal : ndarray, shape (pair, bin)
        Expected counts of the light model at brightness and efficiency 1.
    log_amplitude : ndarray, shape (pair,)
        ln(brightness x efficiency).
    offset_ns : ndarray, shape (pair,)
        What the receiver's clock reads too late; light beyond the last bin goes on at that bin's rate.
    dark : ndarray, shape (pair,)
        Dark counts in each bin: pulses x rate x bin.
    bin_ns : float

    Returns
    -------
    ndarray, shape (pair, bin)
    """
    shifted, _ = _shift(signal, offset_ns, bin_ns)
    return np.exp(log_amplitude)[:, None] * shifted + dark[:, None]


def expected_counts_derivatives(
    signal: Array, log_amplitude: Array, offset_ns: Array, bin_ns: float
) -> tuple[Array, Array]:
    """Derivatives of `expected_counts` with respect to log amplitude and clock offset (1/ns).

    The derivative with respect to the dark counts is 1.

    Returns
    -------
    by_log_amplitude, by_offset : ndarray, shape (pair, bin)
    """
    shifted, slope = _shift(signal, offset_ns, bin_ns)
    amplitude = np.exp(log_amplitude)[:, None]
    return amplitude * shifted, amplitude * slope


@njit(cache=True)
def edge_slope(signal: Array, edge: int) -> float:
    """Rate at a bin edge in counts a bin: the harmonic mean of the bins on both sides, 0 at the ends."""
    if edge <= 0 or edge >= signal.size:
        return 0.0
    before, after = signal[edge - 1], signal[edge]
    if before <= 0.0 or after <= 0.0:
        return 0.0
    return 2.0 * before * after / (before + after)


@njit(cache=True)
def add_up(signal: Array, cumulative: Array) -> None:
    """Set `cumulative`, shape (bin + 1,), to the running sum of `signal`, shape (bin,), from 0.

    Bin by bin: two seconds of compilation go into a slice that is assigned.
    """
    cumulative[0] = 0.0
    for b in range(signal.size):
        cumulative[b + 1] = cumulative[b] + signal[b]


@njit(cache=True)
def cumulative_at(signal: Array, cumulative: Array, position: float) -> tuple[float, float]:
    """Cumulative counts, and their rate in counts a bin, at a position in bins from the first edge.

    Parameters
    ----------
    signal : ndarray, shape (bin,)
        Counts of one pair.
    cumulative : ndarray, shape (bin + 1,)
        Their running sum from 0.
    position : float
        Bins after the first edge; nothing lies before 0, the last bin's rate goes on behind the end.
    """
    bins = signal.size
    if position <= 0.0:
        return 0.0, 0.0
    if position >= bins:
        return cumulative[bins] + (position - bins) * signal[bins - 1], signal[bins - 1]
    i = int(position)
    x = position - i
    left, right = hermite_slopes(signal, i)
    value = (
        cumulative[i]
        + signal[i] * x * x * (3.0 - 2.0 * x)
        + left * x * (1.0 - x) * (1.0 - x)
        - right * x * x * (1.0 - x)
    )
    rate = 6.0 * signal[i] * x * (1.0 - x) + left * (1.0 - x) * (1.0 - 3.0 * x) + right * x * (3.0 * x - 2.0)
    return value, rate


@njit(cache=True)
def hermite_slopes(signal: Array, i: int) -> tuple[float, float]:
    """Slopes at both edges of bin i; behind the last bin its own rate goes on."""
    right = signal[i] if i == signal.size - 1 else edge_slope(signal, i + 1)
    return edge_slope(signal, i), right


@njit(cache=True)
def add_cumulative_pull_back(signal: Array, position: float, weight: float, gradient: Array) -> None:
    """Add weight x d(cumulative at position)/d(signal) to a gradient of shape (bin,).

    The part of all whole bins before the position is left to the caller, who sums it once for many
    positions: add weight to every bin before ``min(int(position), bins)``.
    """
    bins = signal.size
    if position <= 0.0:
        return
    if position >= bins:
        gradient[bins - 1] += weight * (position - bins)
        return
    i = int(position)
    x = position - i
    gradient[i] += weight * x * x * (3.0 - 2.0 * x)
    _add_edge_slope_pull_back(signal, i, weight * x * (1.0 - x) * (1.0 - x), gradient)
    if i == bins - 1:
        gradient[i] -= weight * x * x * (1.0 - x)
    else:
        _add_edge_slope_pull_back(signal, i + 1, -weight * x * x * (1.0 - x), gradient)


@njit(cache=True)
def _add_edge_slope_pull_back(signal: Array, edge: int, weight: float, gradient: Array) -> None:
    if edge <= 0 or edge >= signal.size:
        return
    before, after = signal[edge - 1], signal[edge]
    if before <= 0.0 or after <= 0.0:
        return
    total = before + after
    gradient[edge - 1] += weight * 2.0 * (after / total) ** 2
    gradient[edge] += weight * 2.0 * (before / total) ** 2


def _shift(signal: Array, offset_ns: Array, bin_ns: float) -> tuple[Array, Array]:
    """Shifted counts and their derivative with respect to the offset (1/ns), shape (pair, bin)."""
    shifted, slope = np.empty(signal.shape), np.empty(signal.shape)
    in_shares(partial(_shift_pairs, bin_ns), signal, offset_ns, shifted, slope)
    return shifted, slope


@njit(cache=True, nogil=True)
def _shift_pairs(bin_ns: float, signal: Array, offset_ns: Array, shifted: Array, slope: Array) -> None:
    pairs, bins = signal.shape
    for p in range(pairs):
        cumulative = np.empty(bins + 1)
        add_up(signal[p], cumulative)
        value, rate = cumulative_at(signal[p], cumulative, -offset_ns[p] / bin_ns)
        for b in range(bins):
            next_value, next_rate = cumulative_at(signal[p], cumulative, b + 1 - offset_ns[p] / bin_ns)
            shifted[p, b] = next_value - value
            slope[p, b] = -(next_rate - rate) / bin_ns
            value, rate = next_value, next_rate
