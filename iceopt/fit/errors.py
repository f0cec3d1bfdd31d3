"""The best sizes of the light model's errors at a fixed ice: a small problem that costs no light model."""

import numpy as np
import scipy.optimize
from numpy.typing import NDArray

from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.fit.posterior import Posterior

Array = NDArray[np.float64]

_MOST_STEPS = 12


def with_best_errors(posterior: Posterior, vector: Array) -> Array:
    """Vector with the sizes of the errors at their best and all else as it is.

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
    signals = [term.model.expected(ice) for term in posterior.terms]

    def downhill(errors: Array) -> tuple[float, Array]:
        value, by_prior = posterior.log_prior(np.r_[vector[:-size], errors])
        gradient = by_prior[-size:].copy()
        for term, signal in zip(posterior.terms, signals, strict=True):
            found, _, by_errors = term.likelihood.evaluate_vjp(signal, errors)
            value += found.value
            gradient += by_errors
        return -value, -gradient

    found = scipy.optimize.minimize(
        downhill,
        vector[-size:],
        jac=True,
        bounds=posterior.bounds[-size:],
        method="L-BFGS-B",
        options={"maxiter": _MOST_STEPS, "gtol": 1e-2},
    )
    return np.r_[vector[:-size], found.x]
