"""One pair of emitter and receiver: Poisson counts whose expectation the light model gets a little wrong.

In group g the expectation is

    mu_g = S_g exp(a + r_g t + u + s_g z_g) + dark_g,

S_g the light model's counts at a reference clock offset, t the offset beyond it, r_g the rate of change of
ln S_g there (frozen, so the log density has a single peak), a the log of brightness x efficiency, u the
model's error of the pair's charge, z its error of the time profile: an Ornstein-Uhlenbeck process in
ln(time) of unit variance, so neighbouring groups err together. u has the hyperbolic density
exp(-d sqrt(d^2 + u^2/size^2)) (Barndorff-Nielsen, Proc. R. Soc. A 353, 401 (1977)): normal in the middle,
exponential beyond d sizes, so an odd bad pair pulls no harder than one that is d off, and the density keeps
a single peak. Given (a, t) the best u and z are found by Newton steps; their Hessian is tridiagonal plus a
border, so a step costs a few operations a group. What is left for the outer problem is a gradient and a
2 x 2 information in (a, t).
"""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from iceopt.light.counts import add_cumulative_pull_back, cumulative_at

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_TOLERANCE = 1e-11
_LONGEST_STEP = 2.0
_MOST_STEPS = 100


@njit(cache=True, parallel=True)
def group_signals(
    signal: Array, first: Index, stop: Index, groups: Index, offset_bins: Array
) -> tuple[Array, Array]:
    """Light of every group of every pair at clock offsets, and the derivative of its log to them (1/bin).

    Parameters
    ----------
    signal : ndarray, shape (pair, bin)
    first, stop : ndarray of int, shape (pair, group)
    groups, offset_bins : ndarray, shape (pair,)

    Returns
    -------
    light, rate : ndarray, shape (pair, group)
    """
    light, rate = np.zeros(first.shape), np.zeros(first.shape)
    for p in prange(groups.size):
        cumulative = np.zeros(signal.shape[1] + 1)
        cumulative[1:] = np.cumsum(signal[p])
        for g in range(groups[p]):
            low, low_rate = cumulative_at(signal[p], cumulative, first[p, g] - offset_bins[p])
            high, high_rate = cumulative_at(signal[p], cumulative, stop[p, g] - offset_bins[p])
            if high > low:
                light[p, g] = high - low
                rate[p, g] = (low_rate - high_rate) / light[p, g]
    return light, rate


@njit(cache=True, parallel=True)
def pull_back_groups(
    signal: Array, first: Index, stop: Index, groups: Index, offset_bins: Array, by_light: Array
) -> Array:
    """From derivatives to the light of groups, shape (pair, group), to those to the signal, (pair, bin)."""
    by_signal = np.zeros(signal.shape)
    bins = signal.shape[1]
    for p in prange(groups.size):
        whole = np.zeros(bins + 1)
        for g in range(groups[p]):
            for edge, weight in ((stop[p, g], by_light[p, g]), (first[p, g], -by_light[p, g])):
                position = edge - offset_bins[p]
                add_cumulative_pull_back(signal[p], position, weight, by_signal[p])
                whole[min(max(int(position), 0), bins)] += weight
        total = 0.0
        for b in range(bins - 1, -1, -1):
            total += whole[b + 1]
            by_signal[p, b] += total
    return by_signal


@njit(cache=True)
def precision(correlation: Array, diagonal: Array, beside: Array) -> float:
    """Tridiagonal precision of an Ornstein-Uhlenbeck process of unit variance; returns its log det."""
    logdet = 0.0
    diagonal[0] = 1.0
    for g in range(1, diagonal.size):
        rest = 1.0 - correlation[g - 1] ** 2
        diagonal[g - 1] += correlation[g - 1] ** 2 / rest
        diagonal[g] = 1.0 / rest
        beside[g - 1] = -correlation[g - 1] / rest
        logdet -= np.log(rest)
    return logdet


@njit(cache=True)
def solve_tridiagonal(diagonal: Array, beside: Array, sides: Array) -> float:
    """Solve for the rows of `sides` in place, overwriting `diagonal` by its pivots; returns log det."""
    logdet = np.log(diagonal[0])
    for g in range(1, diagonal.size):
        factor = beside[g - 1] / diagonal[g - 1]
        diagonal[g] -= factor * beside[g - 1]
        logdet += np.log(diagonal[g])
        for k in range(sides.shape[0]):
            sides[k, g] -= factor * sides[k, g - 1]
    last = diagonal.size - 1
    for k in range(sides.shape[0]):
        sides[k, last] /= diagonal[last]
        for g in range(last - 1, -1, -1):
            sides[k, g] = (sides[k, g] - beside[g] * sides[k, g + 1]) / diagonal[g]
    return logdet


@njit(cache=True)
def _newton(  # noqa: PLR0915 (one Newton loop; the compiler keeps its scalars in registers)
    counts: Array,
    light: Array,
    rate: Array,
    dark: Array,
    size: Array,
    correlation: Array,
    amplitude: float,
    offset: float,
    pair_size: float,
    tail: float,
    shape: Array,
    start: float,
    out: Array,
) -> float:
    """Find the best charge error u (from `start`) and profile errors z (`shape`, in place); return u.

    `out` gets the log density, the gradient in (a, t), and the information aa, at, tt with u and z
    eliminated.
    """
    groups = counts.size
    prior = np.empty(groups)
    beside = np.empty(max(groups - 1, 1))
    precision(correlation, prior, beside)
    work = np.empty((3, groups))
    pivot = np.empty(groups)
    weight = np.empty(groups)
    u = start
    variance = pair_size * pair_size
    best, damp, du = -np.inf, 0.0, 0.0
    step_of_shape, side = np.zeros(groups), np.empty(groups)
    for step in range(_MOST_STEPS):
        root = np.sqrt(1.0 + tail * u * u / variance)
        kappa = 1.0 / (variance * root**3)
        # (root - 1)/tail = (u^2/variance)/(1 + root), which keeps its digits at u = 0 and allows tail = 0.
        value, pull = -u * u / (variance * (1.0 + root)), -u / (variance * root)
        aa, at, tt, by_a, by_t = 0.0, 0.0, 0.0, 0.0, 0.0
        for g in range(groups):
            light_now = light[g] * np.exp(amplitude + rate[g] * offset + u + size[g] * shape[g])
            mu = light_now + dark[g]
            residual, weight[g] = 0.0, 0.0
            if mu > 0.0:
                value += counts[g] - mu
                if counts[g] > 0.0:
                    value += counts[g] * np.log(mu / counts[g])
                residual = (counts[g] / mu - 1.0) * light_now
                weight[g] = light_now * light_now / mu
            smooth = prior[g] * shape[g]
            if g > 0:
                smooth += beside[g - 1] * shape[g - 1]
            if g < groups - 1:
                smooth += beside[g] * shape[g + 1]
            value -= 0.5 * shape[g] * smooth
            pull += residual
            aa += weight[g]
            by_a += residual
            by_t += residual * rate[g]
            at += weight[g] * rate[g]
            tt += weight[g] * rate[g] * rate[g]
            pivot[g] = prior[g] + size[g] * size[g] * weight[g]
            side[g] = size[g] * residual - smooth
            work[0, g] = side[g]
            work[1, g] = size[g] * weight[g]
            work[2, g] = size[g] * weight[g] * rate[g]
        if value < best - 1e-13 * abs(best) and damp > 1e-6:
            damp *= 0.5
            u -= damp * du
            for g in range(groups):
                shape[g] -= damp * step_of_shape[g]
            continue
        best = value
        solve_tridiagonal(pivot, beside, work)
        # Eliminate z: `work` now holds T^-1 times the gradient and the columns of u and t.
        decrement = 0.0
        for g in range(groups):
            coupling = size[g] * weight[g]
            decrement += side[g] * work[0, g]
            pull -= coupling * work[0, g]
            by_a -= coupling * work[0, g]
            by_t -= coupling * rate[g] * work[0, g]
            aa -= coupling * work[1, g]
            at -= coupling * work[2, g]
            tt -= coupling * rate[g] * work[2, g]
        du = pull / (kappa + aa)
        longest = abs(du)
        decrement += pull * du
        for g in range(groups):
            work[0, g] -= work[1, g] * du
            longest = max(longest, abs(du + size[g] * work[0, g]))
        if decrement < _TOLERANCE or step == _MOST_STEPS - 1:
            left = kappa / (kappa + aa)
            out[0], out[1], out[2] = value, by_a - aa * du, by_t - at * du
            out[3], out[4], out[5] = aa * left, at * left, tt - at * at / (kappa + aa)
            break
        damp = min(1.0, _LONGEST_STEP / longest)
        u += damp * du
        for g in range(groups):
            step_of_shape[g] = work[0, g]
            shape[g] += damp * work[0, g]
    return u


@njit(cache=True, parallel=True)
def solve_pairs(
    light: Array,
    rate: Array,
    groups: Index,
    counts: Array,
    dark: Array,
    size: Array,
    correlation: Array,
    amplitude: Array,
    offset: Array,
    pair_size: Array,
    tail: float,
    shape: Array,
    charge: Array,
) -> Array:
    """Best model errors of every pair, given amplitudes and clock offsets.

    Parameters
    ----------
    light, rate, counts, dark, size, correlation : ndarray, shape (pair, group)
        The light model's counts, the derivative of their log to the clock offset, the counts seen, the dark
        counts expected, the size of the profile's error, and its correlation with the next group.
    groups : ndarray of int, shape (pair,)
    amplitude, offset, pair_size : ndarray, shape (pair,)
        a, t (in the unit of 1/rate), and the size of the charge's error.
    tail : float
        1 / d^2 of the charge's error; 0 is Gaussian.
    shape, charge : ndarray, shape (pair, group) and (pair,)
        Start and result: the errors z and u.

    Returns
    -------
    ndarray, shape (pair, 6)
        Log density, its derivatives to (a, t), and the information aa, at, tt. Terms that depend only on
        the counts are left out.
    """
    out = np.zeros((groups.size, 6))
    for p in prange(groups.size):
        n = groups[p]
        charge[p] = _newton(
            counts[p, :n],
            light[p, :n],
            rate[p, :n],
            dark[p, :n],
            size[p, :n],
            correlation[p, :n],
            amplitude[p],
            offset[p],
            pair_size[p],
            tail,
            shape[p, :n],
            charge[p],
            out[p],
        )
    return out


@njit(cache=True, parallel=True)
def information_of_pairs(
    rate: Array,
    groups: Index,
    weight: Array,
    size: Array,
    correlation: Array,
    pair_size: Array,
) -> Array:
    """Log det of the errors' Hessian over their prior's, and the information aa, at, tt.

    Parameters
    ----------
    weight : ndarray, shape (pair, group)
        Poisson weights.

    Returns
    -------
    ndarray, shape (pair, 4)
    """
    out = np.zeros((groups.size, 4))
    for p in prange(groups.size):
        n = groups[p]
        diagonal, beside, sides = np.empty(n), np.empty(max(n - 1, 1)), np.empty((2, n))
        logdet = -precision(correlation[p, :n], diagonal, beside)
        aa, at, tt = 0.0, 0.0, 0.0
        for g in range(n):
            diagonal[g] += size[p, g] ** 2 * weight[p, g]
            sides[0, g] = size[p, g] * weight[p, g]
            sides[1, g] = sides[0, g] * rate[p, g]
            aa += weight[p, g]
            at += weight[p, g] * rate[p, g]
            tt += weight[p, g] * rate[p, g] ** 2
        coupling = sides.copy()
        logdet += solve_tridiagonal(diagonal, beside, sides)
        for g in range(n):
            aa -= coupling[0, g] * sides[0, g]
            at -= coupling[0, g] * sides[1, g]
            tt -= coupling[1, g] * sides[1, g]
        kappa = pair_size[p] ** -2
        left = kappa / (kappa + aa)
        out[p, 0] = logdet - np.log(left)
        out[p, 1], out[p, 2], out[p, 3] = aa * left, at * left, tt - at * at / (kappa + aa)
    return out
