"""From changes of Laplace moments to the change of the time profiles that explains them.

The log of a moment changes by the mean of D, the change of ln(light), over the time profile weighted with
exp(-rate t). So if D is a sum of a few functions of time, their coefficients follow by least squares from the
changes of ln(moments).
"""

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from iceopt.light.model import Scene

Array = NDArray[np.float64]

_LEAST_MOMENT = 1e-14
"""Of fluence (1/m2) from one photon: sums over k are rounded at some 1e-17."""


def since_flight(scene: Scene) -> Array:
    """Time from the straight flight's end to the middle of each bin, 0 before (ns): shape (pair, bin)."""
    edges = scene.bin_edges_ns
    arrival = scene.range_m / scene.speed_m_per_ns
    return np.asarray(np.maximum(0.5 * (edges[1:] + edges[:-1]) - arrival[:, None], 0.0))


def known(scene: Scene, moments: Array) -> NDArray[np.bool_]:
    """Moments of counts that are not lost in rounding, shape (pair, rate)."""
    return np.asarray(moments > _LEAST_MOMENT * (scene.photons * scene.effective_area_m2)[:, None])


def moments_of_bins(scene: Scene, rates_per_ns: Array, counts: Array) -> Array:
    """Laplace moments of the light in time bins, shape (pair, bin), as if even within each: (pair, rate)."""
    return np.asarray(counts @ _damping(rates_per_ns, scene.bin_edges_ns).T)


def powers(start: Array, base: Array, number: int) -> Iterator[Array]:
    """Give start x base^k for k from 0 to before a number."""
    for _ in range(number):
        yield start
        start = start * base


def coefficients(
    scene: Scene,
    rates_per_ns: Array,
    counts: Array,
    moments: Array,
    weighted: Iterable[Array],
    largest_mismatch: float,
    ridge: float,
) -> Array:
    """Matrix from changes of ln(moments) to the coefficients of D.

    Parameters
    ----------
    scene : Scene
    rates_per_ns : ndarray, shape (rate,)
    counts : ndarray, shape (pair, bin)
        Time profiles.
    moments : ndarray, shape (pair, rate)
        Moments of a light model near that of the counts; those that are not `known` are left out.
    weighted : iterable of ndarray, shape (pair, bin)
        Counts times each function of time.
    largest_mismatch : float
        Moments whose log differs by more from that of the counts' own say nothing of them: left out.
    ridge : float

    Returns
    -------
    ndarray, shape (pair, function, rate)
    """
    from_bins = moments_of_bins(scene, rates_per_ns, counts)
    means = np.stack([moments_of_bins(scene, rates_per_ns, function) for function in weighted], axis=1)
    good = known(scene, moments) & (from_bins > 0)
    mismatch = np.log(np.divide(from_bins, moments, out=np.ones_like(moments), where=good))
    good &= np.abs(mismatch) < largest_mismatch
    means = np.where(good[:, None], means / np.where(good, from_bins, 1.0)[:, None], 0.0)
    normal = means @ means.transpose(0, 2, 1) + ridge * np.eye(means.shape[1])
    return np.asarray(np.linalg.solve(normal, means), dtype=np.float64)


def _damping(rates_per_ns: Array, edges_ns: Array) -> Array:
    """Means of exp(-rate t) over time bins, shape (rate, bin)."""
    rates = rates_per_ns[:, None]
    decays = np.exp(-rates * edges_ns[:-1]) - np.exp(-rates * edges_ns[1:])
    return np.asarray(decays / (rates * np.diff(edges_ns)))
