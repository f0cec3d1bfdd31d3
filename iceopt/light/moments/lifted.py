"""Time profiles of one order with the Laplace moments of a far higher one.

Time bins of order 9 would cost some hundred times those of order 3; its moments at a few real rates cost less
than the time bins of order 5. Orders differ most at the front and not at all late, where all of them diffuse.
So the change D of ln(light) from one to the other is taken as c_1 u + c_2 u^2, u = T / (t - t0 + T), t0 the
straight flight time, and found (`iceopt.light.moments.changes`) from the ratios of the moments. What the bins
then hold is bounded by the slowest moment.
"""

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.model import Scene
from iceopt.light.moments.carried import bins_with_light
from iceopt.light.moments.changes import (
    coefficients,
    known,
    moments_of_bins,
    powers,
    since_flight,
)
from iceopt.light.moments.error import CONVERGENCE, order_error
from iceopt.light.moments.filled import without_gaps
from iceopt.light.moments.laplace import RATES_PER_NS
from iceopt.light.moments.model import LayeredMoments

Array = NDArray[np.float64]

_LEAST_LIFTED = 5
"""Order from which on lifting helps; lower ones ring too much at the front."""
_LIFTED_TO = 9
_DELAY_NS = 100.0
_POWERS = 2
_LARGEST_MISMATCH = 0.25
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

    def __init__(self, profiles: LayeredMoments, order: int = _LIFTED_TO) -> None:
        self.scene = profiles.scene
        self.name = f"{profiles.name}, lifted to order {order}"
        self._profiles, self._own = profiles, profiles.laplace
        self._below, self._below_own = (p.of_order(profiles.order - 2) for p in (profiles, self._own))
        self._top = self._own.of_order(order)
        self._lit = bins_with_light(self.scene)

    def expected(self, ice: Ice) -> Array:
        """Expected counts, shape (pair, bin)."""
        return self._lifted(self._profiles.expected(ice), self._own.expected(ice), self._top.expected(ice))

    def expected_and_error(self, ice: Ice) -> tuple[Array, Array]:
        """Expected counts and their own relative error, both of shape (pair, bin).

        The error is taken from what lifting does to the counts and from what it leaves between them and
        those of the order two below, lifted too; whichever is larger.
        """
        # Moments first: their kernels are compiled here while another process compiles those of time bins.
        moments, own = self._top.expected(ice), self._own.expected(ice)
        raw = self._profiles.expected(ice)
        counts = self._lifted(raw, own, moments)
        below = self._lifted(self._below.expected(ice), self._below_own.expected(ice), moments)
        return counts, order_error(counts, [raw, below], CONVERGENCE, self.scene, ice)

    def _lifted(self, counts: Array, own: Array, moments: Array) -> Array:
        return lifted(self.scene, without_gaps(counts, self._lit), own, moments)


def best_moments(scene: Scene, order: int) -> LayeredMoments | LiftedMoments:
    """Layered moments of an order, lifted where that helps.

    Raises
    ------
    DomainError
        If the order is not offered, or the scene is not sound.
    """
    model, top = LayeredMoments(scene, order), best_lift(order)
    return model if top is None else LiftedMoments(model, top)


def best_lift(order: int) -> int | None:
    """Order that an order is lifted to, if that helps."""
    return _LIFTED_TO if _LEAST_LIFTED <= order < _LIFTED_TO else None


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
    early = _DELAY_NS / (since_flight(scene) + _DELAY_NS)
    both = known(scene, own) & known(scene, moments)
    ratios = np.divide(moments, own, out=np.ones_like(own), where=both)
    wanted = np.clip(np.log(ratios), -_LARGEST_LIFT, _LARGEST_LIFT)
    found = coefficients(
        scene,
        RATES_PER_NS,
        counts,
        np.where(both, own, 0.0),
        powers(counts * early, early, _POWERS),
        _LARGEST_MISMATCH,
        _RIDGE,
    )
    of_powers = np.einsum("pks,ps->pk", found, wanted)
    change = sum(
        c[:, None] * power for c, power in zip(of_powers.T, powers(early, early, _POWERS), strict=True)
    )
    found = counts * np.exp(np.clip(change, -2.0 * _LARGEST_LIFT, 2.0 * _LARGEST_LIFT))
    slowest = int(np.argmin(RATES_PER_NS))
    return _bounded(scene, found, RATES_PER_NS[slowest], np.where(both, moments, np.inf)[:, slowest])


def _bounded(scene: Scene, counts: Array, rate_per_ns: float, most: Array) -> Array:
    """Counts, less where their bins hold more than a moment, shape (pair,), says that there is in all time.

    So near the emitter on its own line, in rough ice, where the front of order 5 rings into all bins. Where
    they hold less nothing follows: light goes on after the last bin.
    """
    held = moments_of_bins(scene, np.array([rate_per_ns]), counts)[:, 0]
    part = np.divide(most, held, out=np.ones_like(held), where=held > most)
    return np.asarray(counts * part[:, None])
