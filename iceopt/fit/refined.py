"""What a stand-in misses at typical draws, measured there and added: a slope and a curvature.

Draws of n parameters lie some sqrt(n) standard deviations from the maximum, and there each of many small
terms that an expansion leaves out adds to the spread of their weights. In coordinates z in which the normal
approximation is a standard normal, let r be the full log likelihood less that of the stand-in. Its gradients
are taken at opposite places z = +-sqrt(n) u, with u orthonormal. The mean of both is the slope that draws see
on average, c; half their difference is H z, with H the curvature that is missed there. Then, along the
eigenvectors of H with t their coordinates and h its eigenvalues,

    r(z) = sum of c_i t_i + a h_i t_i^2 / 2 ,

with a = 1/2, as part of H is what no curvature explains. Each term levels off some standard deviations away:
there little was measured, and where the stand-in falls off slowly a curvature that went on would let chains
drift away.

With fewer u than parameters H is the symmetric matrix of least norm that agrees with what was measured
(Powell, in Nonlinear Programming, Academic Press (1970), 31; from memory).
"""

import time
from collections.abc import Callable
from contextlib import closing
from typing import Protocol

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.abreast import in_order
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.maximum import Maximum
from iceopt.fit.sampler import Target

Array = NDArray[np.float64]

_STAGE = "refining"
_MEASURED = 0.75
"""Part of all directions that is measured: what the last ones tell is little."""
_BELIEVED = 0.5
"""Part of H that is added: gradients hold other terms too, which go into H as noise (docs/checks.md)."""
_LARGEST_CURVATURE = 0.9
"""Of H; at 1 a refined stand-in would have no width. Far above what fits ask for: 0.12 in ice that slopes."""
_LEVELS_OFF = 4.0
"""Standard deviations: t becomes 4 tanh(t/4), and t^2/2 becomes 16 (1 - exp(-t^2/32))."""
_SAVE_EVERY_S = 20.0


class Expanded(Target, Protocol):
    """A target with a likelihood of its own; `StandIn` is one."""

    def log_likelihood_gradient(self, vector: Array) -> tuple[float, Array]:
        """Log likelihood of one vector, up to a constant, and its gradient."""
        ...


class Refined:
    """A stand-in with a slope and a curvature added; a `Target`.

    Parameters
    ----------
    stand_in : Expanded
    centre : ndarray, shape (parameter,)
    root : ndarray, shape (parameter, parameter)
        Lower Cholesky factor of the covariance.
    slope, curvature : ndarray, shape (parameter,) and (parameter, parameter)
        c and H.
    """

    threaded = False

    def __init__(
        self, stand_in: Expanded, centre: Array, root: Array, slope: Array, curvature: Array
    ) -> None:
        self._stand_in, self._centre = stand_in, centre
        self._curvature, along = scipy.linalg.eigh(curvature)
        self._slope = along.T @ slope
        self._into = along.T @ scipy.linalg.solve_triangular(root, np.eye(len(root)), lower=True)

    def log_densities(self, vectors: Array) -> Array:
        """Log densities of vectors, shape (many, parameter), up to a constant."""
        return self._stand_in.log_densities(vectors) + self._added((vectors - self._centre) @ self._into.T)[0]

    def log_density_gradient(self, vector: Array) -> tuple[float, Array]:
        """Log density up to a constant and its gradient; minus infinity and 0 outside the bounds."""
        value, gradient = self._stand_in.log_density_gradient(vector)
        if np.isneginf(value):
            return value, gradient
        added, by_place = self._added(self._into @ (vector - self._centre))
        return value + float(added), gradient + by_place @ self._into

    def _added(self, places: Array) -> tuple[Array, Array]:
        """What is added at places, shape (..., direction), and its derivatives to them."""
        far = places / _LEVELS_OFF
        level, fall = np.tanh(far), np.exp(-0.5 * far**2)
        value = _LEVELS_OFF * (level @ self._slope) + _LEVELS_OFF**2 * ((1.0 - fall) @ self._curvature)
        return value, (1.0 - level**2) * self._slope + fall * places * self._curvature


def refine(
    stand_in: Expanded,
    maximum: Maximum,
    seed: int,
    store: Checkpoint,
    time_left_s: Callable[[], float],
    watch: Callable[[str], None],
) -> Refined:
    """Measure what a stand-in misses, and add it.

    Parameters
    ----------
    stand_in : Expanded
        Of the posterior of the maximum.
    maximum : Maximum
    seed : int
    store : Checkpoint
        Where gradients are kept; what it holds already is gone on with.
    time_left_s : callable
        If time is used up, what is measured by then is taken.
    watch : callable
        Told in a line of words how far it is.

    Returns
    -------
    Refined
    """
    size = maximum.vector.size
    root = scipy.linalg.cholesky(maximum.covariance, lower=True)
    directions = np.linalg.qr(np.random.default_rng([seed, 3]).standard_normal((size, size)))[0].T
    directions = directions[: max(1, round(_MEASURED * size))]

    def missed(place: Array) -> Array:
        vector = maximum.vector + root @ place
        full = maximum.posterior.log_likelihood_gradient(vector)[1]
        return (full - stand_in.log_likelihood_gradient(vector)[1]) @ root

    pieces = store.read(_STAGE)
    measured = [pair for piece in pieces for pair in piece["missed"]]
    saved, number, saved_at = len(measured), len(pieces), time.monotonic()

    def both_ways(i: int) -> Array:
        place = np.sqrt(size) * directions[i]
        return np.array([missed(place), missed(-place)])

    with closing(in_order(both_ways, range(saved, len(directions)))) as found:
        for _ in range(saved, len(directions)):
            if time_left_s() <= 0:
                break
            measured.append(next(found))
            watch(f"measuring what the stand-in misses: {len(measured)} of {len(directions)} directions")
            if store.stopping or time.monotonic() - saved_at > _SAVE_EVERY_S:
                store.write(_STAGE, number, {"missed": np.array(measured[saved:])})
                saved, number, saved_at = len(measured), number + 1, time.monotonic()
    if saved < len(measured):
        store.write(_STAGE, number, {"missed": np.array(measured[saved:])})
    pairs = np.array(measured).reshape(-1, 2, size)
    slope, curvature = slope_and_curvature(directions, pairs, np.sqrt(size))
    return Refined(stand_in, maximum.vector, root, slope, _BELIEVED * curvature)


def slope_and_curvature(directions: Array, pairs: Array, distance: float) -> tuple[Array, Array]:
    """Slope and curvature from gradients at opposite places.

    Parameters
    ----------
    directions : ndarray, shape (direction, parameter)
        Orthonormal; those of the first pairs come first.
    pairs : ndarray, shape (pair, 2, parameter)
        Gradients at plus and minus the distance along a direction. Pairs that are not finite are left out.
    distance : float

    Returns
    -------
    slope : ndarray, shape (parameter,)
    curvature : ndarray, shape (parameter, parameter)
        Symmetric, of eigenvalues that leave a standard normal falling off.
    """
    size = directions.shape[1]
    good = np.isfinite(pairs).all(axis=(1, 2))
    if not good.any():
        return np.zeros(size), np.zeros((size, size))
    along, pairs = directions[: len(pairs)][good], pairs[good]
    products = (pairs[:, 0] - pairs[:, 1]) / (2.0 * distance)
    once = products.T @ along
    both = once + once.T - along.T @ (products @ along.T) @ along
    values, vectors = scipy.linalg.eigh(0.5 * (both + both.T))
    held = np.clip(values, -_LARGEST_CURVATURE, _LARGEST_CURVATURE)
    return pairs.mean(axis=(0, 1)), (vectors * held) @ vectors.T
