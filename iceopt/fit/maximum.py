"""The maximum of the posterior from a start made of the data, and the normal approximation around it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.fit.curvature import rough_information
from iceopt.fit.errors import with_best_errors
from iceopt.fit.posterior import Posterior
from iceopt.fit.problem import Problem

Array = NDArray[np.float64]

Watch = Callable[[str, Array], None]
"""Told what goes on: a line of words, and the vector reached."""

MOST_STEPS = 40
_LONGEST_STEP = 0.5
_SMALLEST_FACTOR = 1e-3
_FAST = 0.3
"""A curvature is kept while each step leaves less than this part of what there was to gain."""
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


def find_maximum(
    problem: Problem,
    start: tuple[Posterior, Array],
    watch: Watch,
    covariance: Array | None = None,
    most_steps: int = MOST_STEPS,
    enough: float = LARGEST_DECREMENT,
    time_left_s: Callable[[], float] = lambda: np.inf,
) -> Maximum:
    """Climb to the maximum of the posterior by Gauss-Newton steps, halved where the density would fall.

    The reference of the likelihood is renewed at every step. The curvature, which costs one light model a
    parameter, is that of the cheap model of each term, and kept while the steps it gives gain fast.

    Parameters
    ----------
    problem : Problem
    start : (Posterior, ndarray)
        Posterior and vector to begin at.
    watch : callable
        Called at every step with a line of words and the vector.
    covariance : ndarray, optional
        Inverse curvature to begin with.
    most_steps : int
    enough : float
        Decrement below which the climb ends.
    time_left_s : callable

    Returns
    -------
    Maximum
        With a decrement above `enough` if it has not settled in time.
    """
    posterior, vector = start
    low, high = np.array(posterior.bounds).T
    last = np.inf
    for step_number in range(most_steps):
        value, gradient = posterior.log_density_gradient(vector)
        gradient[((vector <= low) & (gradient < 0)) | ((vector >= high) & (gradient > 0))] = 0.0
        decrement = np.inf if covariance is None else float(gradient @ covariance @ gradient)
        fresh = covariance is None or decrement > _FAST * last
        if fresh:
            watch("climbing: finding the curvature", vector)
            covariance = positive_inverse(rough_information(posterior, vector))
            decrement = float(gradient @ covariance @ gradient)
        assert covariance is not None
        step, last = covariance @ gradient, decrement
        watch(
            f"climbing: step {step_number + 1}, log density {value:.2f}, to gain {decrement / 2:.3g}", vector
        )
        if decrement < enough or time_left_s() <= 0:
            break
        step, factor = np.clip(step, -_LONGEST_STEP, _LONGEST_STEP), 1.0
        while True:
            moved = np.clip(vector + factor * step, low, high)
            if factor < _SMALLEST_FACTOR or posterior.log_density(moved) > value:
                break
            factor *= 0.5
        if factor < _SMALLEST_FACTOR:
            if fresh:
                break
            covariance = None
            continue
        vector = with_best_errors(posterior, moved)
        posterior = problem.renewed(posterior, vector)
    assert covariance is not None
    return Maximum(posterior, vector, covariance, value, decrement, step_number + 1)


def positive_inverse(matrix: Array) -> Array:
    """Inverse of a symmetric matrix, its eigenvalues made positive and no smaller than 0.1.

    Every parameter has a prior of standard deviation 1 or so, so a smaller curvature is not real.
    """
    values, vectors = scipy.linalg.eigh(matrix)
    return (vectors / np.maximum(np.abs(values), 0.1)) @ vectors.T
