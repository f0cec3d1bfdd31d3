"""Time profiles of one order with the Laplace moments of a far higher one.

Time bins of order 9 would cost some hundred times those of order 3; its moments at a few real rates cost less
than the time bins of order 5. Orders differ most at the front and not at all late, where all of them diffuse.
So the change D of ln(light) from one to the other is taken as c_1 u + c_2 u^2, u = T / (t - t0 + T), t0 the
straight flight time, and its coefficients follow by least squares from the ratios of the moments: the log of
a moment changes by the mean of D over the time profile weighted with exp(-rate t).
"""

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.model import Scene
from iceopt.light.moments.carried import LEAST_MOMENT, bins_with_light, damping
from iceopt.light.moments.error import CONVERGENCE, order_error
from iceopt.light.moments.filled import without_gaps
from iceopt.light.moments.laplace import RATES_PER_NS
from iceopt.light.moments.model import LayeredMoments

Array = NDArray[np.float64]

LEAST_LIFTED = 5
"""Order from which on lifting helps; lower ones ring too much at the front."""
LIFTED_TO = 9
_DELAY_NS = 100.0
_POWERS = 2
_LARGEST_MISMATCH = 0.25
"""Moments whose log differs by more from those of the time bins say nothing of them: left out."""
_LARGEST_LIFT = 0.7
_RIDGE = 1e-3


class LiftedMoments:
    """Layered moments of one order, lifted to another; `expected` as a `LightModel`'s.

    Parameters
    ----------
    profiles : LayeredMoments
        Of the order that gives the time profiles, 3 at least.
    order : int
        Of the Laplace moments, 1 to 9.

    Raises
    ------
    DomainError
        If the order is not offered.
    """

    def __init__(self, profiles: LayeredMoments, order: int = LIFTED_TO) -> None:
        self.scene = profiles.scene
        self.name = f"{profiles.name}, lifted to order {order}"
        self._profiles = profiles
        self._below = profiles.of_order(profiles.order - 2)
        self._top = profiles.laplace.of_order(order)
        self._lit = bins_with_light(self.scene)

    def expected(self, ice: Ice) -> Array:
        """Expected counts, shape (pair, bin)."""
        return self._lifted(self._profiles, self._profiles.expected(ice), self._top.expected(ice), ice)

    def expected_and_error(self, ice: Ice) -> tuple[Array, Array]:
        """Expected counts and their own relative error, both of shape (pair, bin).

        The error is taken from what lifting does to the counts and from what it leaves between them and
        those of the order two below, lifted too; whichever is larger.
        """
        raw, moments = self._profiles.expected(ice), self._top.expected(ice)
        counts = self._lifted(self._profiles, raw, moments, ice)
        below = self._lifted(self._below, self._below.expected(ice), moments, ice)
        errors = [order_error(counts, other, CONVERGENCE, self.scene) for other in (raw, below)]
        return counts, np.maximum(*errors)

    def _lifted(self, model: LayeredMoments, counts: Array, moments: Array, ice: Ice) -> Array:
        return lifted(self.scene, without_gaps(counts, self._lit), model.laplace.expected(ice), moments)


def best_moments(scene: Scene, order: int) -> LayeredMoments | LiftedMoments:
    """Layered moments of an order, lifted where that helps.

    Raises
    ------
    DomainError
        If the order is not offered, or the scene is not sound.
    """
    model = LayeredMoments(scene, order)
    return LiftedMoments(model) if LEAST_LIFTED <= order < LIFTED_TO else model


def lifted(scene: Scene, counts: Array, own: Array, moments: Array) -> Array:
    """Counts of an order after the changes that bring its moments to others.

    Parameters
    ----------
    scene : Scene
    counts : ndarray, shape (pair, bin)
        Not negative.
    own, moments : ndarray, shape (pair, rate)
        Moments at `RATES_PER_NS` of the counts' own order, and those wanted.

    Returns
    -------
    ndarray, shape (pair, bin)
        Where moments are lost in rounding, or have little to do with the counts, these stay as they are.
    """
    edges = scene.bin_edges_ns
    since = np.maximum(0.5 * (edges[1:] + edges[:-1]) - (scene.range_m / scene.speed_m_per_ns)[:, None], 0.0)
    early = _DELAY_NS / (since + _DELAY_NS)
    powers = np.stack([early ** (k + 1) for k in range(_POWERS)], axis=2)
    decay = damping(RATES_PER_NS, edges).T
    from_bins = counts @ decay
    least = LEAST_MOMENT * (scene.photons * scene.effective_area_m2)[:, None]
    known = (own > least) & (moments > least) & (from_bins > 0)
    mismatch = np.log(np.where(known, from_bins, 1.0) / np.where(known, own, 1.0))
    known &= np.abs(mismatch) < _LARGEST_MISMATCH
    means = np.stack([(counts * power) @ decay for power in np.moveaxis(powers, 2, 0)], axis=2)
    means = np.where(known[:, :, None], means / np.where(known, from_bins, 1.0)[:, :, None], 0.0)
    wanted = np.log(np.where(known, moments, 1.0) / np.where(known, own, 1.0))
    wanted = np.clip(wanted, -_LARGEST_LIFT, _LARGEST_LIFT)
    turned = means.transpose(0, 2, 1)
    normal = turned @ means + _RIDGE * np.eye(_POWERS)
    coefficients = np.linalg.solve(normal, turned @ wanted[:, :, None])
    change = (powers @ coefficients)[:, :, 0]
    return np.asarray(counts * np.exp(np.clip(change, -2.0 * _LARGEST_LIFT, 2.0 * _LARGEST_LIFT)))
