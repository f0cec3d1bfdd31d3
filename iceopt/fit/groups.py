"""Light of the groups of bins that a likelihood looks at, at clock offsets."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from iceopt.abreast import in_shares
from iceopt.light.counts import add_cumulative_pull_back, add_up, cumulative_at

Array = NDArray[np.float64]
Index = NDArray[np.int64]


def group_signals(
    signal: Array, first: Index, stop: Index, groups: Index, offset_bins: Array
) -> tuple[Array, Array]:
    """Light of every group of every pair at clock offsets, and the derivative of its log to them (1/bin).

    Parameters
    ----------
    signal : ndarray, shape (pair, bin)
    first, stop : ndarray of int, shape (pair, group)
    groups, offset_bins : ndarray, shape (pair,)

    Returns
    -------
    light, rate : ndarray, shape (pair, group)
    """
    light, rate = np.zeros(first.shape), np.zeros(first.shape)
    in_shares(_group_signals, signal, first, stop, groups, offset_bins, light, rate)
    return light, rate


def pull_back_groups(
    signal: Array, first: Index, stop: Index, groups: Index, offset_bins: Array, by_light: Array
) -> Array:
    """From derivatives to the light of groups, shape (pair, group), to those to the signal, (pair, bin)."""
    by_signal = np.zeros(signal.shape)
    in_shares(_pull_back_groups, signal, first, stop, groups, offset_bins, by_light, by_signal)
    return by_signal


@njit(cache=True, nogil=True)
def _group_signals(
    signal: Array, first: Index, stop: Index, groups: Index, offset_bins: Array, light: Array, rate: Array
) -> None:
    for p in range(groups.size):
        cumulative = np.empty(signal.shape[1] + 1)
        add_up(signal[p], cumulative)
        for g in range(groups[p]):
            low, low_rate = cumulative_at(signal[p], cumulative, first[p, g] - offset_bins[p])
            high, high_rate = cumulative_at(signal[p], cumulative, stop[p, g] - offset_bins[p])
            if high > low:
                light[p, g] = high - low
                rate[p, g] = (low_rate - high_rate) / light[p, g]


@njit(cache=True, nogil=True)
def _pull_back_groups(
    signal: Array,
    first: Index,
    stop: Index,
    groups: Index,
    offset_bins: Array,
    by_light: Array,
    by_signal: Array,
) -> None:
    bins = signal.shape[1]
    for p in range(groups.size):
        whole = np.zeros(bins + 1)
        for g in range(groups[p]):
            for edge, weight in ((stop[p, g], by_light[p, g]), (first[p, g], -by_light[p, g])):
                position = edge - offset_bins[p]
                add_cumulative_pull_back(signal[p], position, weight, by_signal[p])
                whole[min(max(int(position), 0), bins)] += weight
        total = 0.0
        for b in range(bins - 1, -1, -1):
            total += whole[b + 1]
            by_signal[p, b] += total
