"""Gauss-Newton curvature of the marginal log likelihood in the parameters of the ice.

With y the log of the expected counts by group, a pair's marginal curvature in y is M = (1/W + K)^-1, W the
Poisson weights and K the covariance of the light model's errors. The derivatives of y with respect to the
layers come from one light model evaluation a parameter; the nuisances are eliminated as in the likelihood.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.fit.marginal import Evaluation
from iceopt.fit.pairs import precision, solve_tridiagonal
from iceopt.fit.posterior import Posterior, Term
from iceopt.ice.layers import Ice

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_DIFFERENCE = 1e-3


def likelihood_information(posterior: Posterior, vector: Array) -> Array:
    """Negative Hessian of the log likelihood: Gauss-Newton in the layers, differences for the errors.

    Parameters
    ----------
    posterior : Posterior
    vector : ndarray, shape (parameter,)

    Returns
    -------
    ndarray, shape (parameter, parameter)
        Symmetric; zero in the prior's own hyperparameters.
    """
    n, size = 2 * posterior.layers, len(ERROR_NAMES)
    matrix = np.zeros((vector.size, vector.size))
    found, sizes = posterior.evaluate(vector).evaluation, posterior.errors(vector)
    precisions = [
        term.likelihood.charge_precision(sizes, errors.charge)
        for term, errors in zip(posterior.terms, found.errors, strict=True)
    ]
    matrix[:n, :n] = _of_layers(posterior, found, vector, precisions)
    errors = range(vector.size - size, vector.size)
    rows = _differences(lambda v: posterior.log_likelihood_gradient(v)[1], vector, errors)
    matrix[-size:] += rows
    matrix[:n, -size:] += rows[:, :n].T
    return 0.5 * (matrix + matrix.T)


def climbing_information(posterior: Posterior, vector: Array) -> Array:
    """Information of the likelihood for a climb in the layers: odd pairs held tighter, errors left out.

    Parameters and result as for `likelihood_information`.
    """
    n = 2 * posterior.layers
    matrix = np.zeros((vector.size, vector.size))
    found, sizes = posterior.evaluate(vector).evaluation, posterior.errors(vector)
    weights = [
        term.likelihood.charge_weight(sizes, errors.charge)
        for term, errors in zip(posterior.terms, found.errors, strict=True)
    ]
    matrix[:n, :n] = _of_layers(posterior, found, vector, weights)
    return 0.5 * (matrix + matrix.T)


def _differences(gradient: Callable[[Array], Array], vector: Array, which: range) -> Array:
    """Rows of minus the Hessian by central differences of a gradient."""
    rows = np.empty((len(which), vector.size))
    for row, i in enumerate(which):
        step = np.zeros(vector.size)
        step[i] = _DIFFERENCE
        rows[row] = (gradient(vector - step) - gradient(vector + step)) / (2.0 * _DIFFERENCE)
    return rows


def _of_layers(
    posterior: Posterior, found: Evaluation, vector: Array, charge_precisions: Sequence[Array]
) -> Array:
    """Information of all campaigns in (ln le, ln la), nuisances and model errors marginalised."""
    n, ice, errors = 2 * posterior.layers, posterior.ice(vector), posterior.errors(vector)
    matrix, crosses = np.zeros((n, n)), []
    for term, charge_precision in zip(posterior.terms, charge_precisions, strict=True):
        change, weighted = layer_slopes(term, ice, errors, charge_precision)
        matrix += change.reshape(-1, n).T @ weighted.reshape(-1, n)
        crosses.append(np.einsum("pgk,pgi->pki", term.likelihood.slopes, weighted))
    return matrix - found.factor.quadratic(posterior.marginal.system.columns(crosses))


def layer_slopes(term: Term, ice: Ice, errors: Array, charge_precision: Array) -> tuple[Array, Array]:
    """Derivatives of ln(counts) to the layers, and the same times each pair's marginal curvature.

    Parameters
    ----------
    term : Term
    ice : Ice
    errors : ndarray, shape (3,)
        Sizes of the errors (`ERROR_NAMES`).
    charge_precision : ndarray, shape (pair,)
        Curvature of the pairs' charge errors.

    Returns
    -------
    change, weighted : ndarray, shape (pair, group, parameter)
        To ln le of each layer, then to ln la of each.
    """
    likelihood, seen = term.likelihood, term.likelihood.observations
    change = term.model.log_slopes(ice, term.model.expected(ice), seen.first, seen.stop)
    weighted = _weighted(
        change,
        seen.groups,
        likelihood.weight,
        likelihood.sizes(errors)[0],
        likelihood.correlation,
        charge_precision,
    )
    return change, weighted


@njit(cache=True, parallel=True)
def _weighted(
    change: Array, groups: Index, weight: Array, size: Array, correlation: Array, charge_precision: Array
) -> Array:
    """Multiply columns of shape (pair, group, column) by each pair's curvature (1/W + K)^-1."""
    out = np.zeros(change.shape)
    columns = change.shape[2]
    for p in prange(groups.size):
        n = groups[p]
        diagonal, beside = np.empty(n), np.empty(max(n - 1, 1))
        precision(correlation[p, :n], diagonal, beside)
        sides = np.empty((columns + 1, n))
        for g in range(n):
            coupling = size[p, g] * weight[p, g]
            diagonal[g] += size[p, g] * coupling
            sides[columns, g] = coupling
            for i in range(columns):
                sides[i, g] = coupling * change[p, g, i]
        solve_tridiagonal(diagonal, beside, sides)
        total = charge_precision[p]
        ones = np.empty(n)
        for g in range(n):
            ones[g] = weight[p, g] * (1.0 - size[p, g] * sides[columns, g])
            total += ones[g]
        for i in range(columns):
            along = 0.0
            for g in range(n):
                along += ones[g] * change[p, g, i]
            for g in range(n):
                free = weight[p, g] * (change[p, g, i] - size[p, g] * sides[i, g])
                out[p, g, i] = free - ones[g] * along / total
    return out
