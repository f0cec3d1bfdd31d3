"""How much more the counts scatter within their pairs than Poisson's law and the light model's errors allow.

Gain that varies, pulses that follow pulses, or a table of light with noise of its own make the counts of a
pair scatter from one time to the next. Taken for Poisson noise they would make the intervals too short, and
pairs that scatter most would pull as hard as the best. So the variance of the counts is taken to be
Poisson's times a dispersion, one for all pairs of like distance and range, found from Pearson's chi-square
(McCullagh, Nelder, Generalized Linear Models, 2nd ed. (1989), section 9.2) with the model's errors in the
covariance. A pair's charge is left free: what it says of scatter the pair error takes up. An odd pair, one
whose own chi-square is far beyond its class's, must not speak for the class: it counts there as the limit
(a trimmed estimate of scale, as in Huber, Robust Statistics (1981), chapter 5), and gets a dispersion of its
own, by which it is hardly heard.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.curvature import weigh_pairs
from iceopt.fit.likelihood import Likelihood
from iceopt.fit.posterior import Posterior
from iceopt.light.counts import expected_counts
from iceopt.light.model import Scene, windows

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_CLASS_M = 50.0
"""Width of the classes in horizontal distance and in range."""
_PRIOR_WORTH = 50.0
"""Degrees of freedom that the expectation of no extra scatter is worth in each class."""
_ODD = 5.0
"""Chi-square over degrees of freedom, three of them added, beyond which a pair is odd. By chance one in a
hundred thousand of the smallest would be, and far fewer of the others."""
_LEAST_EXPECTED = 1.0
"""Groups of fewer expected counts are left out: a few of them would rule the chi-square."""
_ROUNDS = 40
_CLOSE = 1e-3


def dispersions(posterior: Posterior, vector: Array) -> list[Array]:
    """Dispersion of the counts of each campaign's pairs near the best ice, shape (pair,), 1 or more.

    Parameters
    ----------
    posterior : Posterior
    vector : ndarray, shape (parameter,)
        Near the maximum: what is wrong with the ice would count as scatter.
    """
    ice, errors = posterior.ice(vector), posterior.errors(vector)
    signals = posterior.signals(ice)
    found = posterior.marginal.evaluate(signals, errors)
    own = posterior.marginal.system.of_pairs(found.nuisances)
    return [
        of_pairs(likelihood, signal, errors, nuisances)
        for likelihood, signal, nuisances in zip(posterior.marginal.likelihoods, signals, own, strict=True)
    ]


def of_pairs(likelihood: Likelihood, signal: Array, error_sizes: Array, own: Array) -> Array:
    """Dispersion of each pair: its class's, or its own if it is odd; shape (pair,).

    Parameters
    ----------
    likelihood : Likelihood
    signal : ndarray, shape (pair, bin)
    error_sizes : ndarray, shape (3,)
    own : ndarray, shape (pair, 3)
        Amplitude, clock offset (ns) and ln dark rate of each pair.
    """
    seen = likelihood.observations
    dark = seen.dark_per_bin * np.exp(own[:, 2])
    counts = expected_counts(signal, own[:, 0], own[:, 1], dark, seen.bin_ns)
    expected = windows(counts, seen.first, seen.stop)
    light = expected - dark[:, None] * (seen.stop - seen.first)
    usable = (expected >= _LEAST_EXPECTED) & (light > 0.0)
    departure = np.divide(seen.counts - expected, light, out=np.zeros_like(light), where=usable)
    weight = np.divide(light**2, expected, out=np.zeros_like(light), where=usable)
    size, correlation = likelihood.sizes(error_sizes)[0], likelihood.correlation
    return solved(
        classes_of(seen.scene),
        np.maximum(usable.sum(axis=1) - 1, 0),
        lambda dispersion: chi_square(
            departure, seen.groups, weight / dispersion[:, None], size, correlation
        ),
    )


def chi_square(departure: Array, groups: Index, weight: Array, size: Array, correlation: Array) -> Array:
    """Chi-square of each pair's departures from expectation, its charge free: shape (pair,).

    Parameters
    ----------
    departure : ndarray, shape (pair, group)
        Counts less expectation, over the light.
    groups : ndarray of int, shape (pair,)
    weight : ndarray, shape (pair, group)
        Inverse variance of a departure by counting.
    size, correlation : ndarray, shape (pair, group)
        Of the light model's profile error, as in `iceopt.fit.pairs`.
    """
    free = np.zeros(groups.size)
    weighed = weigh_pairs(
        np.ascontiguousarray(departure[:, :, None]), groups, weight, size, correlation, free
    )
    return np.einsum("pg,pg->p", departure, weighed[:, :, 0])


def classes_of(scene: Scene) -> Index:
    """Number of the class of distance and range that each pair is in, shape (pair,)."""
    return np.unique(_cells(scene), axis=0, return_inverse=True)[1].ravel()


def carried_over(fitted: Scene, dispersion: Array, other: Scene) -> Array:
    """Dispersion of the pairs of another scene, shape (pair,), as that of their class in a fit.

    Parameters
    ----------
    fitted : Scene
    dispersion : ndarray, shape (pair,)
        Of the fitted scene's pairs.
    other : Scene
        Its pairs of classes that the fit has none of get 1.
    """
    # In falling order, so that the class's own stays: odd pairs have larger ones.
    falling = np.argsort(-dispersion, kind="stable")
    known = dict(zip(map(tuple, _cells(fitted)[falling]), dispersion[falling], strict=True))
    return np.array([known.get(tuple(cell), 1.0) for cell in _cells(other)], dtype=np.float64)


def _cells(scene: Scene) -> Index:
    """Classes of distance and range by two whole numbers, shape (pair, 2)."""
    places = np.stack([scene.distance_m, scene.range_m], axis=1)
    return np.round(places / _CLASS_M).astype(np.int64)


def solved(of_class: Index, freedom: Index, chi_squares: Callable[[Array], Array]) -> Array:
    """Dispersions with which each class's chi-square is its degrees of freedom, but at least 1.

    And so for odd pairs by themselves.

    Parameters
    ----------
    of_class, freedom : ndarray of int, shape (pair,)
    chi_squares : callable
        From dispersions to chi-squares, both of shape (pair,).
    """
    free = np.bincount(of_class, freedom) + _PRIOR_WORTH
    limit = _ODD * (freedom + 3.0)

    def of_classes(dispersion: Array) -> Array:
        found = np.minimum(chi_squares(dispersion[of_class]), limit)
        return np.maximum(dispersion * np.bincount(of_class, found) + _PRIOR_WORTH, free) / free

    common = _settled(of_classes, np.ones(free.size))[of_class]
    odd = (chi_squares(common) > limit) & (freedom > 0)

    def of_odd(dispersion: Array) -> Array:
        own = dispersion * chi_squares(dispersion) / np.maximum(freedom, 1)
        return np.where(odd, np.maximum(own, common), common)

    return _settled(of_odd, common)


def _settled(better: Callable[[Array], Array], start: Array) -> Array:
    """Value that a map no longer changes."""
    value = start
    for _ in range(_ROUNDS):
        last, value = value, better(value)
        if np.all(np.abs(value - last) < _CLOSE * last):
            break
    return value
