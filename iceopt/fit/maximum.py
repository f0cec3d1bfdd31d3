"""The maximum of the posterior from a start made of the data, and the normal approximation around it.

In the layers and the sizes of the errors that is the maximum of the posterior; the prior's hyperparameters
are at the maximum of their evidence, the layers integrated out.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.fit.curvature import climbing_information, likelihood_information
from iceopt.fit.hyperparameters import Expansion, evidence_information, with_best_errors, with_best_prior
from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.fit.posterior import Posterior
from iceopt.fit.problem import Problem

Array = NDArray[np.float64]

Watch = Callable[[str, Array], None]
"""Told what goes on: a line of words, and the vector reached."""

MOST_STEPS = 40
_LONGEST_STEP = 0.5
_SMALLEST_FACTOR = 1e-3
LARGEST_DECREMENT = 0.02
_STEP = 1e-3


@dataclass(frozen=True)
class Maximum:
    """Maximum of a posterior with the covariance of the normal approximation (Laplace) there."""

    posterior: Posterior
    """With its reference at the maximum."""
    vector: Array
    covariance: Array
    information: Array
    """Negative Hessian of the log likelihood; of the climb's kind until the fit is at its end."""
    log_density: float
    decrement: float
    """Twice the rise that another step promises: far below 1 at a maximum."""
    steps: int


def find_maximum(
    problem: Problem,
    start: tuple[Posterior, Array],
    watch: Watch,
    most_steps: int = MOST_STEPS,
    enough: float = LARGEST_DECREMENT,
    time_left_s: Callable[[], float] = lambda: np.inf,
    held: bool = False,
) -> Maximum:
    """Climb to the maximum by Gauss-Newton steps in the layers, halved where the density would fall.

    At each step the prior's hyperparameters are put at their best, and after it the sizes of the errors; the
    reference of the likelihood is renewed.

    Parameters
    ----------
    problem : Problem
    start : (Posterior, ndarray)
        Posterior and vector to begin at.
    watch : callable
        Called at every step with a line of words and the vector.
    most_steps : int
    enough : float
        Decrement below which the climb ends.
    time_left_s : callable
    held : bool
        Whether the sizes of the errors and the prior's hyperparameters stay as they are: far from the best
        ice they would grow until nothing is asked of it.

    Returns
    -------
    Maximum
        With a decrement above `enough` if it has not settled in time.
    """
    posterior, vector = start
    for step_number in range(most_steps):
        # The slopes of the light that the information needs give the gradient too.
        information = climbing_information(posterior, vector)
        slope = posterior.log_likelihood_gradient(vector)[1]
        last = Expansion(vector, slope, information)
        if not held:
            vector = with_best_prior(posterior, last)
            last = replace(last, vector=vector)
        step, decrement = _step(posterior, last)
        value = posterior.log_density(vector)
        watch(
            f"climbing: step {step_number + 1}, log density {value:.2f}, to gain {decrement / 2:.3g}", vector
        )
        if decrement < enough or time_left_s() <= 0:
            break
        moved = _risen(posterior, vector, value, step)
        if moved is None:
            break
        vector = moved if held else with_best_errors(posterior, moved)
        posterior = problem.renewed(posterior, vector)
    covariance = normal_covariance(posterior, last)
    return Maximum(posterior, vector, covariance, information, value, decrement, step_number + 1)


def _risen(posterior: Posterior, vector: Array, value: float, step: Array) -> Array | None:
    """Go along a step until the density is above a value; None where it is nowhere.

    Layers of which little is known have long steps. First they are cut each by itself, which lets the others
    go their way but can turn the step downhill; then the whole step is shortened, which cannot.
    """
    low, high = np.array(posterior.bounds).T
    whole = step * min(1.0, _LONGEST_STEP / np.abs(step).max())
    for direction in (np.clip(step, -_LONGEST_STEP, _LONGEST_STEP), whole):
        factor = 1.0
        while factor >= _SMALLEST_FACTOR:
            moved = np.clip(vector + factor * direction, low, high)
            if posterior.log_density(moved) > value:
                return moved
            factor *= 0.5
    return None


def with_covariance(maximum: Maximum) -> Maximum:
    """Give a maximum the full information of its likelihood in place of its climb's."""
    posterior, vector = maximum.posterior, maximum.vector
    information = likelihood_information(posterior, vector)
    slope = posterior.log_likelihood_gradient(vector)[1]
    covariance = normal_covariance(posterior, Expansion(vector, slope, information))
    return replace(maximum, covariance=covariance, information=information)


def normal_covariance(posterior: Posterior, at: Expansion) -> Array:
    """Covariance of layers and errors, which follow the prior's hyperparameters, and of those by evidence.

    Parameters
    ----------
    posterior : Posterior
    at : Expansion
        Around the maximum.

    Returns
    -------
    ndarray, shape (parameter, parameter)
    """
    vector, information = at.vector, at.information
    n, size = 2 * posterior.layers, len(ERROR_NAMES)
    own = np.arange(n, vector.size - size)
    rest = np.r_[:n, vector.size - size : vector.size]
    total = information[np.ix_(rest, rest)].copy()
    total[:n, :n] += posterior.prior_precision(vector)
    total[n:, n:] += np.diag(posterior.error_precision)
    inverse = positive_inverse(total)
    covariance = np.zeros_like(information)
    covariance[np.ix_(rest, rest)] = inverse
    if own.size:
        evidence = evidence_information(posterior, at)
        follow = np.zeros((vector.size, own.size))
        follow[own] = np.eye(own.size)
        follow[rest] = inverse @ _pull_by_prior(posterior, vector)[rest]
        covariance += follow @ positive_inverse(evidence) @ follow.T
    return covariance


def _pull_by_prior(posterior: Posterior, vector: Array) -> Array:
    """Derivatives of the prior's gradient to its hyperparameters, shape (parameter, hyperparameter)."""
    n, size = 2 * posterior.layers, len(ERROR_NAMES)
    columns = []
    for i in range(n, vector.size - size):
        step = np.zeros(vector.size)
        step[i] = _STEP
        ahead, behind = (posterior.log_prior(vector + sign * step)[1] for sign in (1.0, -1.0))
        columns.append((ahead - behind) / (2.0 * _STEP))
    return np.stack(columns, axis=1)


def positive_inverse(matrix: Array) -> Array:
    """Inverse of a symmetric matrix, its eigenvalues made positive and no smaller than 0.1.

    Every parameter has a prior of standard deviation 1 or so, so a smaller curvature is not real.
    """
    values, vectors = scipy.linalg.eigh(matrix)
    return (vectors / np.maximum(np.abs(values), 0.1)) @ vectors.T


def _step(posterior: Posterior, at: Expansion) -> tuple[Array, float]:
    """Gauss-Newton step in the layers and its decrement."""
    n = 2 * posterior.layers
    low, high = np.array(posterior.bounds).T
    gradient = at.gradient + posterior.log_prior(at.vector)[1]
    gradient[((at.vector <= low) & (gradient < 0)) | ((at.vector >= high) & (gradient > 0))] = 0.0
    step = np.zeros(at.vector.size)
    curvature = at.information[:n, :n] + posterior.prior_precision(at.vector)
    step[:n] = positive_inverse(curvature) @ gradient[:n]
    return step, float(gradient @ step)
