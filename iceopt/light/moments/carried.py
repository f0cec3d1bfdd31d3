"""The time profiles of a high order at one ice, carried to others by Laplace moments of a low order.

With the ice, ln(light) of a pair changes by some D(t) that is smooth in time: more absorption takes the
mean path in the layer off it, more scattering delays it. D is taken as a cubic in ln(t - t0 + DELAY_NS), t0
the straight flight time, and found (`iceopt.light.moments.changes`) from the changes of a few moments at real
rates, which cost a fraction of the time bins, never ring at the front, and stay positive. At its
reference the model is the high order itself; it is carried again as a fit moves.
"""

from collections.abc import Callable
from copy import copy
from typing import Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray

from iceopt.abreast import in_shares
from iceopt.ice.layers import Ice
from iceopt.light.model import LightModel, LogSlopes, Scene, windows
from iceopt.light.moments.changes import coefficients, powers, since_flight
from iceopt.light.moments.filled import without_gaps
from iceopt.light.moments.joined import steered_across
from iceopt.light.moments.laplace import CHEAPER_ORDER, LaplaceMoments

Array = NDArray[np.float64]

DELAY_NS = 30.0
_DEGREE = 3
_UNIT_NS = 600.0
_RIDGE = 1e-6
_LARGEST_MISMATCH = 0.7
"""Moments whose log differs by more from the high order's time bins say nothing of them: left out."""
_LARGEST_CHANGE = 20.0


class TimeShapes:
    """From changes of ln(moments) to changes of ln(light) in time bins.

    Parameters
    ----------
    scene : Scene
    rates_per_ns : ndarray, shape (rate,)
    counts : ndarray, shape (pair, bin)
        Time profiles.
    moments : ndarray, shape (pair, rate)
        Moments of a light model near that of the counts.
    """

    def __init__(self, scene: Scene, rates_per_ns: Array, counts: Array, moments: Array) -> None:
        self.place = np.log((since_flight(scene) + DELAY_NS) / _UNIT_NS)
        self.coefficients = coefficients(
            scene,
            rates_per_ns,
            counts,
            moments,
            powers(counts, self.place, _DEGREE + 1),
            _LARGEST_MISMATCH,
            _RIDGE,
        )
        """Shape (pair, degree, rate)."""

    def pull_back(self, by_change: Array) -> Array:
        """From a gradient to the change of ln(light) to one to the change of ln(moments)."""
        by_coefficient = np.stack(
            [power.sum(axis=1) for power in powers(by_change, self.place, _DEGREE + 1)], axis=1
        )
        return np.einsum("pjs,pj->ps", self.coefficients, by_coefficient)

    def in_windows(self, counts: Array, first: NDArray[np.int64], stop: NDArray[np.int64]) -> Array:
        """Matrix from changes of ln(moments) to those of ln(light in windows): (pair, window, rate)."""
        total = windows(counts, first, stop)
        shapes = np.empty((*total.shape, _DEGREE + 1))
        for degree, power in enumerate(powers(counts, self.place, _DEGREE + 1)):
            summed = windows(power, first, stop)
            np.divide(summed, total, out=shapes[:, :, degree], where=total > 0)
            shapes[total <= 0, degree] = 0.0
        return shapes @ self.coefficients


@njit(cache=True, nogil=True)
def _move(
    counts: Array, place: Array, coefficients: Array, moves: Array, moved: Array, free: NDArray[np.bool_]
) -> None:
    """Counts times exp(change) by the changes `moves` of ln(moments), and where the change is not held."""
    for p in range(len(counts)):
        c = coefficients[p] @ moves[p]
        for b in range(counts.shape[1]):
            change = c[_DEGREE]
            for degree in range(_DEGREE - 1, -1, -1):
                change = change * place[p, b] + c[degree]
            held = min(max(change, -_LARGEST_CHANGE), _LARGEST_CHANGE)
            moved[p, b], free[p, b] = counts[p, b] * np.exp(held), held == change


class Moments(Protocol):
    """Laplace moments on a scene: `LaplaceMoments`, or `JoinedMoments`."""

    scene: Scene
    order: int
    name: str
    rates_per_ns: Array

    def of_order(self, order: int) -> LaplaceMoments:
        """Moments of another order."""
        ...

    def expected(self, ice: Ice) -> Array:
        """Shape (pair, rate)."""
        ...

    def expected_vjp(self, ice: Ice) -> tuple[Array, Callable[[Array], tuple[Array, Array]]]:
        """Moments, and the pull-back of a gradient to (ln le, ln la)."""
        ...

    def log_slopes(self, ice: Ice) -> Array:
        """Derivatives of ln(moments) to ln le, then ln la: shape (pair, rate, parameter)."""
        ...


class CarriedProfile:
    """Time profiles of a high order at a reference ice, moved with the moments of a low one; a `LightModel`.

    Parameters
    ----------
    moments : Moments
        Of the low order.
    name : str
    reference : Ice
    counts : ndarray, shape (pair, bin)
        Expected counts of the high order at the reference.
    own_error : ndarray, shape (pair, bin)
        Its relative error there.
    """

    def __init__(
        self,
        moments: Moments,
        name: str,
        reference: Ice,
        counts: Array,
        own_error: Array,
    ) -> None:
        self.scene = moments.scene
        self.name = name
        self.reference = reference
        self._moments = moments
        self._counts = without_gaps(counts, bins_with_light(self.scene))
        self._own_error = own_error
        middle = moments.expected(reference)
        self._log_middle = np.log(np.where(middle > 0, middle, 1.0))
        self._shapes = TimeShapes(self.scene, moments.rates_per_ns, self._counts, middle)
        self._slopes: tuple[Ice, Array] | None = None

    @property
    def cheaper(self) -> LightModel:
        """The same profiles, carried by moments of order 3 at most."""
        if self._moments.order <= CHEAPER_ORDER:
            return self
        moments = self._moments.of_order(CHEAPER_ORDER)
        return CarriedProfile(moments, self.name, self.reference, self._counts, self._own_error)

    def steered_at(self, ice: Ice) -> LightModel:
        """The same profiles, carried by moments of order 3 with the values and slopes of these at an ice.

        Or itself, if its own moments are of an order as low.
        """
        if self._moments.order <= CHEAPER_ORDER:
            return self
        steered = copy(self)
        steered._slopes = None
        steered._moments = steered_across(self._moments.of_order(self._moments.order), ice)
        steered.name = self.name.replace(self._moments.name, steered._moments.name)
        return steered

    def expected(self, ice: Ice) -> Array:
        """Expected counts, shape (pair, bin)."""
        return self._carried(self._moments.expected(ice))[0]

    def expected_vjp(self, ice: Ice) -> tuple[Array, Callable[[Array], tuple[Array, Array]]]:
        """Expected counts, and the pull-back of a gradient to (ln le, ln la).

        It costs next to nothing at the ice of the last `log_slopes`.
        """
        moments, pull_back_moments = self._moments_vjp(ice)
        counts, free = self._carried(moments)
        scale = np.where(moments > 0, moments, np.inf)

        def pull_back(gradient: Array) -> tuple[Array, Array]:
            by_change = np.where(free, gradient * counts, 0.0)
            return pull_back_moments(self._shapes.pull_back(by_change) / scale)

        return counts, pull_back

    def log_slopes(
        self, ice: Ice, counts: Array, first: NDArray[np.int64], stop: NDArray[np.int64]
    ) -> LogSlopes:
        """Derivatives of the log of the counts in windows of bins; see `LightModel`."""
        self._slopes = None  # two sets at once are too much for the memory of large arrays
        self._slopes = ice, self._moments.log_slopes(ice)
        return LogSlopes(self._shapes.in_windows(counts, first, stop), self._slopes[1])

    def model_error(self, ice: Ice, expected: Array) -> Array:
        """The high order's own relative error at the reference, shape (pair, bin)."""
        return self._own_error

    def _moments_vjp(self, ice: Ice) -> tuple[Array, Callable[[Array], tuple[Array, Array]]]:
        if self._slopes is None or not self._slopes[0].same_as(ice):
            return self._moments.expected_vjp(ice)
        moments, slopes = self._moments.expected(ice), self._slopes[1]

        def pull_back(cotangent: Array) -> tuple[Array, Array]:
            by_lengths = np.tensordot(cotangent * moments, slopes, axes=2)
            return by_lengths[: ice.layers], by_lengths[ice.layers :]

        return moments, pull_back

    def _carried(self, moments: Array) -> tuple[Array, NDArray[np.bool_]]:
        """Counts, and where they are free to change."""
        log_moments = np.log(np.where(moments > 0, moments, 1.0))
        moves = np.where(moments > 0, log_moments - self._log_middle, 0.0)
        moved, free = np.empty_like(self._counts), np.empty(self._counts.shape, dtype=np.bool_)
        shapes = self._shapes
        in_shares(_move, self._counts, shapes.place, shapes.coefficients, moves, moved, free)
        return moved, free


def bins_with_light(scene: Scene) -> NDArray[np.bool_]:
    """Bins that end after light can have arrived, shape (pair, bin)."""
    return scene.bin_edges_ns[None, 1:] > (scene.range_m / scene.speed_m_per_ns)[:, None]


class High(Protocol):
    """What is carried: expected counts of a high order, with their own relative error."""

    name: str

    def expected_and_error(self, ice: Ice) -> tuple[Array, Array]:
        """Both of shape (pair, bin)."""
        ...


def carry(moments: Moments, high: High, reference: Ice) -> CarriedProfile:
    """Carry an order from a reference ice by Laplace moments on the same scene; see `CarriedProfile`."""
    counts, own_error = high.expected_and_error(reference)
    return CarriedProfile(moments, f"{high.name}, carried by {moments.name}", reference, counts, own_error)
