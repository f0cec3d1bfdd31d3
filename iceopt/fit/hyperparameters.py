"""The best hyperparameters of the prior and sizes of the model's errors, without a light model's help."""

from dataclasses import dataclass

import numpy as np
import scipy.linalg
import scipy.optimize
from numpy.typing import NDArray

from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.fit.posterior import Posterior

Array = NDArray[np.float64]

_MOST_STEPS = 12
_MOST_PRIOR_STEPS = 60
_STEP = 0.05


@dataclass(frozen=True)
class Expansion:
    """Second-order expansion of the log likelihood around a vector."""

    vector: Array
    gradient: Array
    """Shape (parameter,)."""
    information: Array
    """Shape (parameter, parameter)."""


def log_evidence(posterior: Posterior, at: Expansion, own: Array) -> float:
    """Log density of the prior's hyperparameters, the layers integrated out, up to a constant.

    With the likelihood's expansion and a prior that is normal in the layers the integral is a normal one.

    Parameters
    ----------
    posterior : Posterior
    at : Expansion
    own : ndarray
        Hyperparameters of the prior.
    """
    n, size = 2 * posterior.layers, len(ERROR_NAMES)
    vector = np.r_[at.vector[:n], own, at.vector[-size:]]
    value, by_vector = posterior.log_prior(vector)
    pull = at.gradient[:n] + by_vector[:n]
    root = scipy.linalg.cho_factor(at.information[:n, :n] + posterior.prior_precision(vector), lower=True)
    return float(value - np.log(np.diag(root[0])).sum() + 0.5 * pull @ scipy.linalg.cho_solve(root, pull))


def with_best_prior(posterior: Posterior, at: Expansion) -> Array:
    """Vector with the prior's hyperparameters at the maximum of their evidence, all else as it is.

    Not at that of the joint density: seen together with the layers they drift to where the layers are all
    alike, far from where the draws are (MacKay, Neural Comput. 11, 1035 (1999)). Quasi-Newton (L-BFGS-B).

    Parameters
    ----------
    posterior : Posterior
    at : Expansion

    Returns
    -------
    ndarray, shape (parameter,)
    """
    n, size = 2 * posterior.layers, len(ERROR_NAMES)
    if n + size == at.vector.size:
        return at.vector
    found = scipy.optimize.minimize(
        lambda own: -log_evidence(posterior, at, own),
        at.vector[n:-size],
        bounds=posterior.bounds[n:-size],
        method="L-BFGS-B",
        options={"maxiter": _MOST_PRIOR_STEPS, "ftol": 1e-7, "gtol": 1e-3},
    )
    return np.r_[at.vector[:n], found.x, at.vector[-size:]]


def evidence_information(posterior: Posterior, at: Expansion) -> Array:
    """Negative Hessian of the log evidence of the prior's hyperparameters at their values, by differences."""
    n, size = 2 * posterior.layers, len(ERROR_NAMES)
    own = at.vector[n:-size]
    steps = _STEP * np.eye(own.size)

    def value(*moves: Array) -> float:
        return log_evidence(posterior, at, own + np.sum(moves, axis=0))

    hessian = np.empty((own.size, own.size))
    for i, one in enumerate(steps):
        for j, other in enumerate(steps):
            corners = value(one, other) - value(one, -other) - value(-one, other) + value(-one, -other)
            hessian[i, j] = corners / (4.0 * _STEP**2)
    return -0.5 * (hessian + hessian.T)


def with_best_errors(posterior: Posterior, vector: Array) -> Array:
    """Vector with the sizes of the errors at their best, all else as it is.

    How sharply the counts speak of the ice depends on these sizes, so a climb that keeps them at their best
    takes far fewer steps than one that moves everything at once. Quasi-Newton (L-BFGS-B, scipy).

    Parameters
    ----------
    posterior : Posterior
    vector : ndarray, shape (parameter,)

    Returns
    -------
    ndarray, shape (parameter,)
    """
    size = len(ERROR_NAMES)
    ice = posterior.ice(vector)
    signals = posterior.signals(ice)

    def downhill(errors: Array) -> tuple[float, Array]:
        value, by_prior = posterior.log_prior(np.r_[vector[:-size], errors])
        found, _, by_errors = posterior.marginal.evaluate_vjp(signals, errors)
        return -(value + found.value), -(by_prior[-size:] + by_errors)

    found = scipy.optimize.minimize(
        downhill,
        vector[-size:],
        jac=True,
        bounds=posterior.bounds[-size:],
        method="L-BFGS-B",
        options={"maxiter": _MOST_STEPS, "ftol": 1e-7, "gtol": 0.3},
    )
    return np.r_[vector[:-size], found.x]
