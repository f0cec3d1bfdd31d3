"""A smooth field over depth: the density of a Gaussian process in time that grows with the number of layers.

The covariance is size^2 (1 + r) exp(-r), r = sqrt(3) distance / length (Matern 3/2; Rasmussen, Williams,
Gaussian Processes for Machine Learning, MIT Press (2006), eq. 4.17), what each depth has of its own beside,
(part x size)^2, a little noise that keeps it positive, and a level common to all depths. Without the level
such a process is Markov in its value and slope (Hartikainen, Sarkka, Proc. IEEE Int. Workshop Mach. Learn.
Signal Process. (2010), 379): one pass of a Kalman filter down the layers gives the determinant and its
derivatives, one pass back the product with the inverse (de Jong, Biometrika 76, 593 (1989)). The level is a
term of rank one.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
_Symmetric = tuple[float, float, float]
"""The covariance of value and slope: value, both, slope."""
_Square = tuple[float, float, float, float]
"""A matrix, row by row."""

NUGGET = 1e-6
"""Noise, of the variance: keeps the covariance of very smooth layers positive."""


def covariance(apart_m: Array, log_size: float, log_length: float, log_part: float) -> Array:
    """Covariance of depths so far apart, without level and with its noise, shape (layer, layer)."""
    r = np.sqrt(3.0) * apart_m * np.exp(-log_length)
    own = np.exp(2.0 * log_part) + NUGGET
    return np.exp(2.0 * log_size) * ((1.0 + r) * np.exp(-r) + own * np.eye(len(apart_m)))


@njit(cache=True)
def log_density(
    x: Array, steps_m: Array, level_sd: float, log_size: float, log_length: float, log_part: float
) -> tuple[float, Array, float, float, float]:
    """Log density of a field, with derivatives.

    Parameters
    ----------
    x : ndarray, shape (layer,)
    steps_m : ndarray, shape (layer - 1,)
        From each depth to the next, positive.
    level_sd : float
        Standard deviation of a level common to all; 0 for none.
    log_size, log_length, log_part : float
        ln of the size, of the length (m), and of the part of the size that each depth has of its own; minus
        infinity for none.

    Returns
    -------
    value, by_x, by_log_size, by_log_length, by_log_part
        The value lacks the constant -n/2 ln(2 pi).
    """
    n = x.size
    variance, level = np.exp(2.0 * log_size), level_sd**2
    steps = np.sqrt(3.0) * steps_m * np.exp(-log_length)
    both = np.stack((x, np.ones(n)))
    own = np.exp(2.0 * log_part)
    log_det, log_det_by_length, log_det_by_part = _solve(both, steps, own)
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
    by_log_part = variance * own * (alpha @ alpha + pull * (both[1] @ both[1])) - 0.5 * log_det_by_part
    return value, -alpha, by_log_size, by_log_length, by_log_part


@njit(cache=True)
def log_densities(
    x: Array, steps_m: Array, level_sd: float, log_size: Array, log_length: Array, log_part: Array
) -> Array:
    """Log densities as of `log_density` of many fields, shape (many, layer), of one size and so on each."""
    values = np.empty(x.shape[0])
    for k in range(values.size):
        values[k] = log_density(x[k], steps_m, level_sd, log_size[k], log_length[k], log_part[k])[0]
    return values


@njit(cache=True)
def _solve(sides: Array, steps: Array, own: float) -> tuple[float, float, float]:
    """Replace sides by their products with the inverse of the covariance of size 1, without a level.

    Parameters
    ----------
    sides : ndarray, shape (side, layer)
    steps : ndarray, shape (layer - 1,)
        In units of length / sqrt(3).
    own : float
        Variance that each depth has of its own.

    Returns
    -------
    log_det, by_log_length, by_log_part : float
        Log of the determinant of that covariance, and its derivatives to the log of the length and to half
        that of `own`.
    """
    many, n = sides.shape
    gains, moves = np.empty((n, 2)), np.empty((n, 4))
    mean = np.zeros((many, 2))
    log_det, by_length, by_part = 0.0, 0.0, 0.0
    # 1 less the covariance of value and slope (in units in which it is 1 unseen), and its derivatives.
    known, known_by_length, known_by_part = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
    for i in range(n):
        seen = 1.0 + NUGGET + own - known[0]
        gain_v, gain_s = (1.0 - known[0]) / seen, -known[1] / seen
        gains[i, 0], gains[i, 1] = gain_v, gain_s
        for k in range(many):
            sides[k, i] -= mean[k, 0]
            mean[k, 0] += gain_v * sides[k, i]
            mean[k, 1] += gain_s * sides[k, i]
            sides[k, i] /= seen
        log_det += np.log(seen)
        seen_by_length, seen_by_part = -known_by_length[0], 2.0 * own - known_by_part[0]
        by_length += seen_by_length / seen
        by_part += seen_by_part / seen
        if i == n - 1:
            break
        known_by_length = _learnt_slope(known, known_by_length, seen, seen_by_length)
        known_by_part = _learnt_slope(known, known_by_part, seen, seen_by_part)
        vv, vs, ss = known
        known = (vv + gain_v * (1.0 - vv), vs - gain_v * vs, ss - gain_s * vs)
        h, fade = steps[i], np.exp(-steps[i])
        a, b, c, d = fade * (1.0 + h), fade * h, -fade * h, fade * (1.0 - h)
        moves[i, 0], moves[i, 1], moves[i, 2], moves[i, 3] = a, b, c, d
        move, turn = (a, b, c, d), (h * b, -h * d, h * d, h * fade * (2.0 - h))
        # Steps change with the length alone, by `turn`.
        turned = _both_sides(turn, move, known)
        vv, vs, _, ss = _both_sides(move, move, known_by_length)
        known_by_length = (vv + 2.0 * turned[0], vs + turned[1] + turned[2], ss + 2.0 * turned[3])
        vv, vs, _, ss = _both_sides(move, move, known_by_part)
        known_by_part = (vv, vs, ss)
        vv, vs, _, ss = _both_sides(move, move, known)
        known = (vv, vs, ss)
        for k in range(many):
            value, slope = mean[k, 0], mean[k, 1]
            mean[k, 0], mean[k, 1] = a * value + b * slope, c * value + d * slope
    for k in range(many):
        back_v, back_s = 0.0, 0.0
        for i in range(n - 1, -1, -1):
            if i < n - 1:
                a, b, c, d = moves[i]
                back_v, back_s = a * back_v + c * back_s, b * back_v + d * back_s
            sides[k, i] -= gains[i, 0] * back_v + gains[i, 1] * back_s
            back_v += sides[k, i]
    return log_det, by_length, by_part


@njit(cache=True)
def _learnt_slope(known: _Symmetric, slope: _Symmetric, seen: float, d_seen: float) -> _Symmetric:
    """Derivative of what is known after a depth was seen, from that of what was known before."""
    vv, vs, _ = known
    d_vv, d_vs, d_ss = slope
    gain_v, gain_s = (1.0 - vv) / seen, -vs / seen
    d_gain_v, d_gain_s = -(d_vv + gain_v * d_seen) / seen, -(d_vs + gain_s * d_seen) / seen
    return (
        d_vv + d_gain_v * (1.0 - vv) - gain_v * d_vv,
        d_vs - d_gain_v * vs - gain_v * d_vs,
        d_ss - d_gain_s * vs - gain_s * d_vs,
    )


@njit(cache=True)
def _both_sides(left: _Square, right: _Square, middle: _Symmetric) -> _Square:
    """Product left middle right^T of 2 x 2 matrices, each row by row."""
    a, b, c, d = left
    vv, vs, ss = middle
    first_v, first_s, second_v, second_s = a * vv + b * vs, a * vs + b * ss, c * vv + d * vs, c * vs + d * ss
    e, f, g, h = right
    return (
        first_v * e + first_s * f,
        first_v * g + first_s * h,
        second_v * e + second_s * f,
        second_v * g + second_s * h,
    )


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
