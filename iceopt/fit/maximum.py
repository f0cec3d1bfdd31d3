"""The maximum of the posterior from a start made of the data, and the normal approximation around it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.fit.curvature import information
from iceopt.fit.posterior import Posterior
from iceopt.fit.problem import Problem

Array = NDArray[np.float64]

Watch = Callable[[str, Array], None]
"""Told what goes on: a line of words, and the vector reached."""

_MOST_STEPS = 40
_LONGEST_STEP = 0.5
_SMALLEST_FACTOR = 1e-3
LARGEST_DECREMENT = 1e-3


@dataclass(frozen=True)
class Maximum:
    """Maximum of a posterior with the covariance of the normal approximation (Laplace) there."""

    posterior: Posterior
    """With its reference at the maximum."""
    vector: Array
    covariance: Array
    log_density: float
    decrement: float
    """Twice the rise that another step promises: far below 1 at a maximum."""
    steps: int


def find_maximum(problem: Problem, start: tuple[Posterior, Array], watch: Watch) -> Maximum:
    """Climb to the maximum of the posterior by Gauss-Newton steps, halved where the density would fall.

    The reference of the likelihood is renewed at every step.

    Parameters
    ----------
    problem : Problem
    start : (Posterior, ndarray)
        Posterior and vector to begin at, for example `problem.first_guess()`.
    watch : callable
        Called at every step with a line of words and the vector.

    Returns
    -------
    Maximum
        With a decrement above `LARGEST_DECREMENT` if it has not settled.
    """
    posterior, vector = start
    low, high = np.array(posterior.bounds).T
    for step_number in range(_MOST_STEPS):
        value, gradient = posterior.log_density_gradient(vector)
        covariance = positive_inverse(information(posterior, vector))
        step = covariance @ gradient
        decrement = float(gradient @ step)
        watch(
            f"climbing: step {step_number + 1}, log density {value:.2f}, to gain {decrement / 2:.3g}", vector
        )
        if decrement < LARGEST_DECREMENT:
            break
        factor = min(1.0, _LONGEST_STEP / np.abs(step).max())
        while True:
            moved = np.clip(vector + factor * step, low, high)
            if factor < _SMALLEST_FACTOR or posterior.log_density(moved) > value:
                break
            factor *= 0.5
        if factor < _SMALLEST_FACTOR:
            break
        vector = moved
        posterior = problem.renewed(posterior, vector)
    return Maximum(posterior, vector, covariance, value, decrement, step_number + 1)


def positive_inverse(matrix: Array) -> Array:
    """Inverse of a symmetric matrix, its eigenvalues made positive and no smaller than 0.1.

    Every parameter has a prior of standard deviation 1 or so, so a smaller curvature is not real.
    """
    values, vectors = scipy.linalg.eigh(matrix)
    return (vectors / np.maximum(np.abs(values), 0.1)) @ vectors.T
