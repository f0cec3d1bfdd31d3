"""The layered model as a fit needs it: no bin that light can have reached is dark.

All orders ring a little just behind the front, where little light is. A bin that rings through zero would say
that counts in it cannot be, and a fit would climb away from the ringing instead of towards the ice.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.model import LightModel, LogSlopes

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LEAST = 0.02


class FilledModel:
    """A light model whose gaps are filled; a `LightModel`. Its own error is large where something was filled.

    Parameters
    ----------
    model : LightModel
    lit : ndarray of bool, shape (pair, bin)
        Bins that light can have reached.
    """

    def __init__(self, model: LightModel, lit: Mask) -> None:
        self.scene = model.scene
        self.name = model.name
        self._model = model
        self._lit = lit

    @property
    def cheaper(self) -> "FilledModel":
        """The same of the cheaper model."""
        return FilledModel(self._model.cheaper, self._lit)

    def steered_at(self, ice: Ice) -> "FilledModel":
        """Itself: time bins are not steered."""
        return self

    def expected(self, ice: Ice) -> Array:
        """Expected counts, shape (pair, bin)."""
        return without_gaps(self._model.expected(ice), self._lit)

    def expected_vjp(self, ice: Ice) -> tuple[Array, Callable[[Array], tuple[Array, Array]]]:
        """Expected counts, and the pull-back of a gradient to (ln le, ln la)."""
        counts, pull_back_counts = self._model.expected_vjp(ice)
        filled, pull_back_gaps = without_gaps_vjp(counts, self._lit)
        return filled, lambda gradient: pull_back_counts(pull_back_gaps(gradient))

    def log_slopes(
        self, ice: Ice, counts: Array, first: NDArray[np.int64], stop: NDArray[np.int64]
    ) -> LogSlopes:
        """Derivatives of the log of the counts in windows of bins; see `LightModel`."""
        return self._model.log_slopes(ice, counts, first, stop)

    def model_error(self, ice: Ice, expected: Array) -> Array:
        """The model's own relative error, shape (pair, bin)."""
        return self._model.model_error(ice, expected)


def without_gaps(counts: Array, lit: Mask) -> Array:
    """Counts with every lit bin at least a small part of its neighbours.

    Parameters
    ----------
    counts : ndarray, shape (pair, bin)
    lit : ndarray of bool, shape (pair, bin)
    """
    return without_gaps_vjp(counts, lit)[0]


def without_gaps_vjp(counts: Array, lit: Mask) -> tuple[Array, Callable[[Array], Array]]:
    """Counts as of `without_gaps`, and the pull-back of a gradient, shape (pair, bin) as they."""
    filled = np.where(lit, np.maximum(counts, 0.0), 0.0)
    bins = counts.shape[1]
    # (bin, neighbour that may fill it): first each from the one after it, then from the one before.
    order = [(b, b + 1) for b in range(bins - 2, -1, -1)] + [(b, b - 1) for b in range(1, bins)]
    was_filled = []
    for b, beside in order:
        low = lit[:, b] & (filled[:, b] < _LEAST * filled[:, beside])
        filled[low, b] = _LEAST * filled[low, beside]
        was_filled.append(low)

    def pull_back(by_filled: Array) -> Array:
        by = by_filled.copy()
        for (b, beside), low in zip(reversed(order), reversed(was_filled), strict=True):
            by[low, beside] += _LEAST * by[low, b]
            by[low, b] = 0.0
        return np.where(lit & (counts > 0.0), by, 0.0)

    return filled, pull_back
