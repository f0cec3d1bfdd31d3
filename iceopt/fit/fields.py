"""A smooth field over depth: the density of a Gaussian process in time that grows with the number of layers.

The covariance is size^2 (1 + r) exp(-r), r = sqrt(3) distance / length (Matern 3/2; Rasmussen, Williams,
Gaussian Processes for Machine Learning, MIT Press (2006), eq. 4.17), a little noise that keeps it positive,
and a level common to all depths. Without the level such a process is Markov in its value and slope
(Hartikainen, Sarkka, Proc. IEEE Int. Workshop Mach. Learn. Signal Process. (2010), 379): one pass of a Kalman
filter down the layers gives the determinant and its derivative, one pass back the product with the inverse
(de Jong, Biometrika 76, 593 (1989)). The level is a term of rank one.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

NUGGET = 1e-6
"""Noise, of the variance: keeps the covariance of very smooth layers positive."""


def matern(apart_m: Array, log_size: float, log_length: float) -> Array:
    """Covariance of depths so far apart, without level and with its noise, shape (layer, layer)."""
    r = np.sqrt(3.0) * apart_m * np.exp(-log_length)
    return np.exp(2.0 * log_size) * ((1.0 + r) * np.exp(-r) + NUGGET * np.eye(len(apart_m)))


@njit(cache=True)
def log_density(
    x: Array, steps_m: Array, level_sd: float, log_size: float, log_length: float
) -> tuple[float, Array, float, float]:
    """Log density of a field, with derivatives.

    Parameters
    ----------
    x : ndarray, shape (layer,)
    steps_m : ndarray, shape (layer - 1,)
        From each depth to the next, positive.
    level_sd : float
        Standard deviation of a level common to all; 0 for none.
    log_size, log_length : float
        ln of the size, and of the length (m).

    Returns
    -------
    value, by_x, by_log_size, by_log_length
        The value lacks the constant -n/2 ln(2 pi).
    """
    n = x.size
    variance, level = np.exp(2.0 * log_size), level_sd**2
    steps = np.sqrt(3.0) * steps_m * np.exp(-log_length)
    both = np.stack((x, np.ones(n)))
    log_det, log_det_by_length = _solve(both, steps)
    both /= variance
    of_ones = both[1].sum()
    pull = level / (1.0 + level * of_ones)
    alpha = both[0] - pull * both[0].sum() * both[1]
    along, total = x @ alpha, alpha.sum()
    value = -0.5 * (along + n * 2.0 * log_size + log_det + np.log1p(level * of_ones))
    by_log_size = along - level * total**2 - (n - pull * of_ones)
    by_log_length = 0.5 * (
        variance * _stretched(alpha, steps) - log_det_by_length + pull * variance * _stretched(both[1], steps)
    )
    return value, -alpha, by_log_size, by_log_length


@njit(cache=True)
def log_densities(x: Array, steps_m: Array, level_sd: float, log_size: Array, log_length: Array) -> Array:
    """Log densities as of `log_density` of many fields, shape (many, layer), of a size and length each."""
    values = np.empty(x.shape[0])
    for k in range(values.size):
        values[k] = log_density(x[k], steps_m, level_sd, log_size[k], log_length[k])[0]
    return values


@njit(cache=True)
def _solve(sides: Array, steps: Array) -> tuple[float, float]:
    """Replace sides by their products with the inverse of the covariance of size 1, without a level.

    Parameters
    ----------
    sides : ndarray, shape (side, layer)
    steps : ndarray, shape (layer - 1,)
        In units of length / sqrt(3).

    Returns
    -------
    log_det, by_log_length : float
        Log of the determinant of that covariance, and its derivative to the log of the length.
    """
    many, n = sides.shape
    gains, moves = np.empty((n, 2)), np.empty((n, 4))
    mean = np.zeros((many, 2))
    log_det, by_log_length = 0.0, 0.0
    # 1 less the covariance of value and slope (in units in which it is 1 unseen), and its derivative.
    vv, vs, ss = 0.0, 0.0, 0.0
    d_vv, d_vs, d_ss = 0.0, 0.0, 0.0
    for i in range(n):
        seen = 1.0 + NUGGET - vv
        log_det += np.log(seen)
        by_log_length -= d_vv / seen
        gain_v, gain_s = (1.0 - vv) / seen, -vs / seen
        d_gain_v, d_gain_s = (gain_v * d_vv - d_vv) / seen, (gain_s * d_vv - d_vs) / seen
        gains[i] = gain_v, gain_s
        for k in range(many):
            sides[k, i] -= mean[k, 0]
            mean[k, 0] += gain_v * sides[k, i]
            mean[k, 1] += gain_s * sides[k, i]
            sides[k, i] /= seen
        if i == n - 1:
            break
        d_ss += -d_gain_s * vs - gain_s * d_vs
        d_vs += -d_gain_v * vs - gain_v * d_vs
        d_vv += d_gain_v * (1.0 - vv) - gain_v * d_vv
        ss -= gain_s * vs
        vs -= gain_v * vs
        vv += gain_v * (1.0 - vv)
        h, fade = steps[i], np.exp(-steps[i])
        a, b, c, d = fade * (1.0 + h), fade * h, -fade * h, fade * (1.0 - h)
        d_a, d_b, d_c, d_d = h * b, -h * d, h * d, h * fade * (2.0 - h)
        moves[i] = a, b, c, d
        # Both sides times [[a, b], [c, d]].
        left_vv, left_vs, left_sv, left_ss = (
            a * vv + b * vs,
            a * vs + b * ss,
            c * vv + d * vs,
            c * vs + d * ss,
        )
        d_left_vv = d_a * vv + d_b * vs + a * d_vv + b * d_vs
        d_left_vs = d_a * vs + d_b * ss + a * d_vs + b * d_ss
        d_left_sv = d_c * vv + d_d * vs + c * d_vv + d * d_vs
        d_left_ss = d_c * vs + d_d * ss + c * d_vs + d * d_ss
        vv, vs, ss = left_vv * a + left_vs * b, left_vv * c + left_vs * d, left_sv * c + left_ss * d
        d_vv = d_left_vv * a + d_left_vs * b + left_vv * d_a + left_vs * d_b
        d_vs = d_left_vv * c + d_left_vs * d + left_vv * d_c + left_vs * d_d
        d_ss = d_left_sv * c + d_left_ss * d + left_sv * d_c + left_ss * d_d
        for k in range(many):
            value, slope = mean[k]
            mean[k] = a * value + b * slope, c * value + d * slope
    for k in range(many):
        back_v, back_s = 0.0, 0.0
        for i in range(n - 1, -1, -1):
            if i < n - 1:
                a, b, c, d = moves[i]
                back_v, back_s = a * back_v + c * back_s, b * back_v + d * back_s
            sides[k, i] -= gains[i, 0] * back_v + gains[i, 1] * back_s
            back_v += sides[k, i]
    return log_det, by_log_length


@njit(cache=True)
def _stretched(weights: Array, steps: Array) -> float:
    """Sum of w_i w_j r^2 exp(-r) over all i and j: the covariance's derivative to the log of its length."""
    total, none, once, twice = 0.0, 0.0, 0.0, 0.0
    for i in range(weights.size - 1):
        none += weights[i]
        h, fade = steps[i], np.exp(-steps[i])
        twice = fade * (twice + 2.0 * h * once + h * h * none)
        once = fade * (once + h * none)
        none = fade * none
        total += weights[i + 1] * twice
    return 2.0 * total
