"""Gauss-Newton curvature of the marginal log likelihood in the parameters of the ice.

With y the log of the expected counts by group, a pair's marginal curvature in y is M = (1/W + K)^-1, W the
Poisson weights and K the covariance of the light model's errors. The derivatives of y with respect to the
layers come from the light model; the nuisances are eliminated as in the likelihood.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from iceopt.abreast import in_shares
from iceopt.fit.likelihood import ERROR_NAMES, Likelihood
from iceopt.fit.marginal import Evaluation
from iceopt.fit.nuisances import Columns
from iceopt.fit.pairs import precision, solve_tridiagonal
from iceopt.fit.posterior import Posterior
from iceopt.light.model import LightModel, LogSlopes

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
    n, size, errors = 2 * posterior.layers, len(ERROR_NAMES), posterior.errors(vector)
    matrix = np.zeros((vector.size, vector.size))
    metric = Metric(posterior, posterior.evaluate(vector).evaluation, errors)
    matrix[:n, :n] = metric.information(slopes_of(posterior, vector))
    last = range(vector.size - size, vector.size)
    rows = _differences(lambda v: posterior.log_likelihood_gradient(v)[1], vector, last)
    matrix[-size:] += rows
    matrix[:n, -size:] += rows[:, :n].T
    return 0.5 * (matrix + matrix.T)


def climbing_information(posterior: Posterior, vector: Array) -> Array:
    """Information of the likelihood for a climb in the layers: odd pairs held tighter, errors left out.

    Parameters and result as for `likelihood_information`.
    """
    n, errors = 2 * posterior.layers, posterior.errors(vector)
    matrix = np.zeros((vector.size, vector.size))
    metric = Metric(posterior, posterior.evaluate(vector).evaluation, errors, climbing=True)
    matrix[:n, :n] = metric.information(slopes_of(posterior, vector))
    return 0.5 * (matrix + matrix.T)


def _differences(gradient: Callable[[Array], Array], vector: Array, which: range) -> Array:
    """Rows of minus the Hessian by central differences of a gradient."""
    rows = np.empty((len(which), vector.size))
    for row, i in enumerate(which):
        step = np.zeros(vector.size)
        step[i] = _DIFFERENCE
        rows[row] = (gradient(vector - step) - gradient(vector + step)) / (2.0 * _DIFFERENCE)
    return rows


class Metric:
    """Curvature of the log likelihood in ln(counts) by group, all else marginalised.

    Changes of ln(counts) are lists of one `LogSlopes` a campaign, whose windows are the groups.

    Parameters
    ----------
    posterior : Posterior
    found : Evaluation
    errors : ndarray, shape (3,)
        Sizes of the errors (`ERROR_NAMES`).
    climbing : bool
        Hold odd pairs tighter, as steps of a climb should.
    """

    def __init__(
        self, posterior: Posterior, found: Evaluation, errors: Array, climbing: bool = False
    ) -> None:
        self._likelihoods = [term.likelihood for term in posterior.terms]
        self._system, self._errors = posterior.marginal.system, errors
        self._charge = [
            own.charge_weight(errors, best.charge) if climbing else own.charge_precision(errors, best.charge)
            for own, best in zip(self._likelihoods, found.errors, strict=True)
        ]
        self._probe = self._weighed([own.slopes for own in self._likelihoods])
        # What marginalises the nuisances must know the pairs by the same curvatures as what is marginalised:
        # the difference may be small against both.
        told = [
            probe.transpose(0, 2, 1) @ own.slopes
            for probe, own in zip(self._probe, self._likelihoods, strict=True)
        ]
        for of_pairs, own in zip(told, self._likelihoods, strict=True):
            of_pairs[:, 2, 2] += own.of_dark
        self._factor = self._system.factor(told, found.nuisances)

    def weigh(self, changes: Sequence[LogSlopes]) -> list[LogSlopes]:
        """Multiply changes by each pair's curvature (1/W + K)^-1, nuisances held."""
        shapes = self._weighed([change.shapes for change in changes])
        return [LogSlopes(s, change.moves) for s, change in zip(shapes, changes, strict=True)]

    def product(
        self, weighted: Sequence[LogSlopes], changes: Sequence[LogSlopes], others: Sequence[LogSlopes]
    ) -> Array:
        """Product of two sets of columns, the first also weighed, nuisances marginalised."""
        straight = sum(_inner(one, other) for one, other in zip(weighted, others, strict=True))
        return straight - self._factor.product(self._given(changes), self._given(others))

    def information(self, changes: Sequence[LogSlopes]) -> Array:
        """Information in columns."""
        return self.product(self.weigh(changes), changes, changes)

    def _weighed(self, columns: Sequence[Array]) -> list[Array]:
        return [
            weigh(own, self._errors, charge, column)
            for own, charge, column in zip(self._likelihoods, self._charge, columns, strict=True)
        ]

    def _given(self, changes: Sequence[LogSlopes]) -> Columns:
        """What columns change in the gradient of the nuisances."""
        return self._system.columns(
            [
                (probe.transpose(0, 2, 1) @ change.shapes) @ change.moves
                for probe, change in zip(self._probe, changes, strict=True)
            ]
        )


def _inner(one: LogSlopes, other: LogSlopes) -> Array:
    """Inner products of the columns of two sets of slopes, shape (parameter, parameter)."""
    between = one.shapes.transpose(0, 2, 1) @ other.shapes
    return np.tensordot(one.moves, between @ other.moves, axes=((0, 1), (0, 1)))


def weigh(likelihood: Likelihood, errors: Array, charge_precision: Array, change: Array) -> Array:
    """Multiply columns by each pair's curvature (1/W + K)^-1.

    Parameters
    ----------
    likelihood : Likelihood
    errors : ndarray, shape (3,)
        Sizes of the errors (`ERROR_NAMES`).
    charge_precision : ndarray, shape (pair,)
        Curvature of the pairs' charge errors.
    change : ndarray, shape (pair, group, column)

    Returns
    -------
    ndarray, shape (pair, group, column)
    """
    return weigh_pairs(
        np.ascontiguousarray(change),
        likelihood.observations.groups,
        likelihood.weight,
        likelihood.sizes(errors)[0],
        likelihood.correlation,
        charge_precision,
    )


def slopes_of(
    posterior: Posterior, vector: Array, models: Sequence[LightModel] | None = None
) -> list[LogSlopes]:
    """Derivatives of each campaign's ln(counts) by group to the layers.

    By the posterior's light models, or by others, one a campaign.
    """
    ice, found = posterior.ice(vector), []
    for term, model in zip(posterior.terms, models or [t.model for t in posterior.terms], strict=True):
        seen = term.likelihood.observations
        found.append(model.log_slopes(ice, model.expected(ice), seen.first, seen.stop))
    return found


def weigh_pairs(
    change: Array, groups: Index, weight: Array, size: Array, correlation: Array, charge_precision: Array
) -> Array:
    """Multiply columns of shape (pair, group, column) by each pair's curvature (1/W + K)^-1.

    `weight`, (pair, group), is the diagonal of W; K is that of profile errors of these sizes and correlations
    and of a charge error of this precision, (pair,).
    """
    out = np.zeros(change.shape)
    in_shares(_weigh_pairs, change, groups, weight, size, correlation, charge_precision, out)
    return out


@njit(cache=True, nogil=True)
def _weigh_pairs(
    change: Array,
    groups: Index,
    weight: Array,
    size: Array,
    correlation: Array,
    charge_precision: Array,
    out: Array,
) -> None:
    columns = change.shape[2]
    for p in range(groups.size):
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
        # A pair without counts whose charge is free says nothing.
        inverse = 1.0 / total if total > 0.0 else 0.0
        for i in range(columns):
            along = 0.0
            for g in range(n):
                along += ones[g] * change[p, g, i]
            for g in range(n):
                free = weight[p, g] * (change[p, g, i] - size[p, g] * sides[i, g])
                out[p, g, i] = free - ones[g] * along * inverse
