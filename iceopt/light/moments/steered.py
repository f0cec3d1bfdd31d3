"""Moments of a low order that have the values and the slopes of a high one at a reference ice.

ln(high order / low order) changes little with the ice, and where it is expanded to first order,

    ln m(x) = ln m_low(x) + ln(m_high / m_low)(x_0) + d ln(m_high / m_low)/dx (x_0) . (x - x_0),

x the logs of all le and la, what is left is the difference of the two orders' second derivatives. A moment in
which the orders are far apart (near the emitter on its own line a low order's may all but vanish, or be
negative) is expanded by itself: there the low order says nothing of the high one.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.moments.changes import known
from iceopt.light.moments.laplace import LaplaceMoments

Array = NDArray[np.float64]

_LARGEST_DIFFERENCE = 0.5
"""Of the logs of a moment in two orders, for the low one to be followed."""


class SteeredMoments:
    """Laplace moments of a low order, steered by a high one.

    Parameters
    ----------
    low, high : LaplaceMoments
        On the same scene, at the same rates.
    reference : Ice
        Whose layers all other ices share.
    """

    def __init__(self, low: LaplaceMoments, high: LaplaceMoments, reference: Ice) -> None:
        self.name = f"Laplace moments of order {low.order}, steered by order {high.order}"
        self._low, self._start = low, _logs(reference)
        below, above = low.expected(reference), high.expected(reference)
        well = known(low.scene, above)
        both = known(low.scene, below) & well
        ratio = np.divide(above, below, out=np.ones_like(below), where=both)
        self._like = both & (np.abs(np.log(ratio)) < _LARGEST_DIFFERENCE)
        """Whether the low order is followed, shape (pair, rate)."""
        self._ratio = np.where(self._like, ratio, np.where(well, above, 0.0))
        self._turn = high.log_slopes(reference) - self._like[:, :, None] * low.log_slopes(reference)
        self._turn[~well] = 0.0

    def expected(self, ice: Ice) -> Array:
        """Moments of the counts at brightness and efficiency 1, shape (pair, rate); 0 where not known."""
        return np.where(self._like, self._low.expected(ice), 1.0) * self._factor(ice)

    def log_slopes(self, ice: Ice) -> Array:
        """Derivatives of ln(moments) to ln le of each layer, then to ln la: (pair, rate, parameter)."""
        return self._like[:, :, None] * self._low.log_slopes(ice) + self._turn

    def expected_vjp(self, ice: Ice) -> tuple[Array, Callable[[Array], tuple[Array, Array]]]:
        """Moments, and the pull-back of a gradient to them to (ln le, ln la), each of shape (layer,)."""
        low, pull_back_low = self._low.expected_vjp(ice)
        factor = self._factor(ice)
        moments = np.where(self._like, low, 1.0) * factor

        def pull_back(cotangent: Array) -> tuple[Array, Array]:
            by_scattering, by_absorption = pull_back_low(cotangent * factor * self._like)
            turned = np.tensordot(cotangent * moments, self._turn, axes=2)
            return by_scattering + turned[: ice.layers], by_absorption + turned[ice.layers :]

        return moments, pull_back

    def _factor(self, ice: Ice) -> Array:
        """What the moments of the low order, or 1, are multiplied by: shape (pair, rate)."""
        move = _logs(ice) - self._start
        return self._ratio * np.exp((self._turn.reshape(-1, move.size) @ move).reshape(self._ratio.shape))


def _logs(ice: Ice) -> Array:
    """All ln le, then all ln la."""
    return np.log(np.concatenate([ice.scattering_length_m, ice.absorption_length_m]))
