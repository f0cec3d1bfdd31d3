"""A low order for speed, times its ratio to a high order, frozen at one ice.

The ratio is smooth in the ice and has no noise, so near that ice the product is as good as the high order;
it is renewed as the fit moves.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.model import LightModel

Array = NDArray[np.float64]

_USABLE = 5.0
"""Bins in which the two orders differ by more than this factor follow the pair's charge instead."""
_LEAST = 0.01
"""Part of the frozen counts below which a bin never falls: low orders can turn negative near the front."""


class FrozenRatio:
    """Low order x (high order / low order at a reference ice); a `LightModel`.

    Parameters
    ----------
    low : LightModel
    name : str
    reference : Ice
        Where the ratio is frozen; there the model equals the high order.
    high_counts : ndarray, shape (pair, bin)
        Expected counts of the high order at the reference.
    high_error : ndarray, shape (pair, bin)
        Its relative error there.
    """

    def __init__(
        self, low: LightModel, name: str, reference: Ice, high_counts: Array, high_error: Array
    ) -> None:
        self.scene = low.scene
        self.name = name
        self.reference = reference
        self._low = low
        self._high_counts = np.maximum(high_counts, 0.0)
        self._error = high_error
        low_counts = low.expected(reference)
        self._followed = (low_counts * _USABLE > self._high_counts) & (
            low_counts < _USABLE * self._high_counts
        )
        self._ratio = np.divide(
            self._high_counts, low_counts, out=np.zeros_like(low_counts), where=self._followed
        )
        charge = np.maximum(low_counts.sum(axis=1), 1e-300)
        self._by_charge = np.where(self._followed, 0.0, self._high_counts) / charge[:, None]

    def expected(self, ice: Ice) -> Array:
        """Expected counts, shape (pair, bin)."""
        return self._product(self._low.expected(ice))[0]

    def expected_vjp(self, ice: Ice) -> tuple[Array, Callable[[Array], tuple[Array, Array]]]:
        """Expected counts, and the pull-back of a gradient to (ln le, ln la)."""
        low, pull_back_low = self._low.expected_vjp(ice)
        product, free = self._product(low)

        def pull_back(gradient: Array) -> tuple[Array, Array]:
            kept = np.where(free, gradient, 0.0)
            by_charge = (kept * self._by_charge).sum(axis=1, keepdims=True)
            return pull_back_low(kept * self._ratio + by_charge)

        return product, pull_back

    def model_error(self, ice: Ice) -> Array:
        """The high order's own relative error at the reference, shape (pair, bin)."""
        return self._error

    def _product(self, low: Array) -> tuple[Array, NDArray[np.bool_]]:
        """Counts, and where they follow the low order rather than the least that is allowed."""
        counts = low * self._ratio + low.sum(axis=1, keepdims=True) * self._by_charge
        least = _LEAST * self._high_counts
        return np.maximum(counts, least), counts > least


def freeze(lows: Sequence[LightModel], high: LightModel, reference: Ice) -> list[FrozenRatio]:
    """Freeze the ratios of several low orders to one high order at an ice.

    Parameters
    ----------
    lows : sequence of LightModel
        Built on the scene of the high one.
    high : LightModel
    reference : Ice

    Returns
    -------
    list of FrozenRatio
    """
    counts, error = high.expected(reference), high.model_error(reference)
    return [
        FrozenRatio(low, f"{low.name} with a ratio to {high.name}", reference, counts, error) for low in lows
    ]
