"""One pair of emitter and receiver: Poisson counts whose expectation the light model gets a little wrong.

In group g the expectation is

    mu_g = S_g(t) exp(a + u + s_g z_g) + dark_g,

S_g(t) the light model's counts with the clock offset t, a the log of brightness x efficiency, u the model's
error of the pair's charge, z its error of the time profile: an Ornstein-Uhlenbeck process in
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

from iceopt.light.counts import add_cumulative_pull_back, bend_at, cumulative_at

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_TOLERANCE = 1e-12
_LONGEST_STEP = 2.0
_MOST_STEPS = 100


@njit(cache=True)
def cumulative_counts(signal: Array) -> Array:
    """Running sums along the bins from 0, shape (pair, bin + 1)."""
    cumulative = np.zeros((signal.shape[0], signal.shape[1] + 1))
    for p in range(signal.shape[0]):
        for b in range(signal.shape[1]):
            cumulative[p, b + 1] = cumulative[p, b] + signal[p, b]
    return cumulative


@njit(cache=True)
def _group_signal(
    signal: Array, cumulative: Array, first: Index, stop: Index, offset_bins: float
) -> tuple[Array, Array, Array]:
    """Light of each group with the clock offset, and the derivatives of its log to the offset (bins)."""
    light, slope, bend = np.zeros(first.size), np.zeros(first.size), np.zeros(first.size)
    for g in range(first.size):
        low, low_rate = cumulative_at(signal, cumulative, first[g] - offset_bins)
        high, high_rate = cumulative_at(signal, cumulative, stop[g] - offset_bins)
        if high > low:
            light[g] = high - low
            slope[g] = (low_rate - high_rate) / light[g]
            bend[g] = bend_at(signal, stop[g] - offset_bins) - bend_at(signal, first[g] - offset_bins)
            bend[g] = bend[g] / light[g] - slope[g] ** 2
    return light, slope, bend


@njit(cache=True)
def _precision(correlation: Array, diagonal: Array, beside: Array) -> float:
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
def _solve_tridiagonal(diagonal: Array, beside: Array, sides: Array) -> float:
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
def _newton(
    counts: Array,
    light: Array,
    slope: Array,
    bend: Array,
    dark: Array,
    size: Array,
    correlation: Array,
    amplitude: float,
    pair_size: float,
    tail: float,
    shape: Array,
    start: float,
    out: Array,
) -> float:
    """Find the best charge error u (from `start`) and profile errors z (`shape`, in place); return u.

    `out` gets the log density, the gradient in (a, t), the information aa, at, tt with u and z eliminated,
    and what the residuals add to tt; t in bins.
    """
    groups = counts.size
    prior = np.empty(groups)
    beside = np.empty(max(groups - 1, 1))
    _precision(correlation, prior, beside)
    work = np.empty((3, groups))
    pivot = np.empty(groups)
    rate = np.empty(groups)
    weight = np.empty(groups)
    u = start
    variance = pair_size * pair_size
    best, damp, du = -np.inf, 0.0, 0.0
    step_of_shape = np.zeros(groups)
    for step in range(_MOST_STEPS):
        root = np.sqrt(1.0 + tail * u * u / variance)
        kappa = 1.0 / (variance * root**3)
        # (root - 1)/tail = (u^2/variance)/(1 + root), which keeps its digits at u = 0 and allows tail = 0.
        value, pull = -u * u / (variance * (1.0 + root)), -u / (variance * root)
        aa, at, tt, extra, by_a, by_t = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for g in range(groups):
            rate[g] = light[g] * np.exp(amplitude + u + size[g] * shape[g])
            mu = rate[g] + dark[g]
            residual, weight[g] = 0.0, 0.0
            if mu > 0.0:
                value += counts[g] * np.log(mu) - mu
                residual = (counts[g] / mu - 1.0) * rate[g]
                weight[g] = rate[g] * rate[g] / mu
            smooth = prior[g] * shape[g]
            if g > 0:
                smooth += beside[g - 1] * shape[g - 1]
            if g < groups - 1:
                smooth += beside[g] * shape[g + 1]
            value -= 0.5 * shape[g] * smooth
            pull += residual
            aa += weight[g]
            by_a += residual
            by_t += residual * slope[g]
            at += weight[g] * slope[g]
            tt += weight[g] * slope[g] * slope[g]
            extra -= residual * bend[g]
            pivot[g] = prior[g] + size[g] * size[g] * weight[g]
            work[0, g] = size[g] * residual - smooth
            work[1, g] = size[g] * weight[g]
            work[2, g] = size[g] * weight[g] * slope[g]
        if value < best - 1e-13 * abs(best) and damp > 1e-6:
            damp *= 0.5
            u -= damp * du
            for g in range(groups):
                shape[g] -= damp * step_of_shape[g]
            continue
        best = value
        _solve_tridiagonal(pivot, beside, work)
        # Eliminate z: `work` now holds T^-1 times the gradient and the columns of u and t.
        for g in range(groups):
            coupling = size[g] * weight[g]
            pull -= coupling * work[0, g]
            aa -= coupling * work[1, g]
            at -= coupling * work[2, g]
            tt -= coupling * slope[g] * work[2, g]
        du = pull / (kappa + aa)
        longest = abs(du)
        decrement = pull * du
        for g in range(groups):
            work[0, g] -= work[1, g] * du
            longest = max(longest, abs(du + size[g] * work[0, g]))
            decrement += weight[g] * (size[g] * work[0, g]) ** 2
        if decrement < _TOLERANCE or step == _MOST_STEPS - 1:
            left = kappa / (kappa + aa)
            out[0], out[1], out[2] = value, by_a, by_t
            out[3], out[4], out[5] = aa * left, at * left, tt - at * at / (kappa + aa)
            out[6] = extra
            break
        damp = min(1.0, _LONGEST_STEP / longest)
        u += damp * du
        for g in range(groups):
            step_of_shape[g] = work[0, g]
            shape[g] += damp * work[0, g]
    return u


@njit(cache=True, parallel=True)
def solve_pairs(
    signal: Array,
    cumulative: Array,
    first: Index,
    stop: Index,
    groups: Index,
    counts: Array,
    dark_per_bin: Array,
    size: Array,
    correlation: Array,
    amplitude: Array,
    offset_bins: Array,
    pair_size: Array,
    tail: float,
    shape: Array,
    charge: Array,
) -> Array:
    """Best model errors of every pair, given amplitudes and clock offsets.

    Parameters
    ----------
    signal, cumulative : ndarray, shape (pair, bin) and (pair, bin + 1)
    first, stop : ndarray of int, shape (pair, group)
    groups : ndarray of int, shape (pair,)
    counts, size, correlation : ndarray, shape (pair, group)
        Counts, standard deviation of the profile's error, and its correlation with the next group.
    dark_per_bin, amplitude, offset_bins, pair_size : ndarray, shape (pair,)
        pair_size is the scale of the charge's error.
    tail : float
        1 / d^2 of the charge's error; 0 is Gaussian.
    shape, charge : ndarray, shape (pair, group) and (pair,)
        Start and result: the errors z and u.

    Returns
    -------
    ndarray, shape (pair, 7)
        Log density, its derivatives to (a, t), the information aa, at, tt, and what the residuals add to
        tt (of either sign); t in bins. Terms that depend only on the data are left out.
    """
    out = np.zeros((groups.size, 7))
    for p in prange(groups.size):
        n = groups[p]
        light, slope, bend = _group_signal(
            signal[p], cumulative[p], first[p, :n], stop[p, :n], offset_bins[p]
        )
        dark = dark_per_bin[p] * (stop[p, :n] - first[p, :n])
        charge[p] = _newton(
            counts[p, :n],
            light,
            slope,
            bend,
            dark,
            size[p, :n],
            correlation[p, :n],
            amplitude[p],
            pair_size[p],
            tail,
            shape[p, :n],
            charge[p],
            out[p],
        )
    return out


@njit(cache=True, parallel=True)
def pull_back_pairs(
    signal: Array,
    cumulative: Array,
    first: Index,
    stop: Index,
    groups: Index,
    counts: Array,
    dark_per_bin: Array,
    size: Array,
    amplitude: Array,
    offset_bins: Array,
    shape: Array,
    charge: Array,
) -> tuple[Array, Array]:
    """Derivatives of the log density at the best errors.

    Returns
    -------
    by_signal : ndarray, shape (pair, bin)
    by_size : ndarray, shape (pair, group)
        To the standard deviation of the profile's error.
    """
    by_signal = np.zeros(signal.shape)
    by_size = np.zeros(counts.shape)
    for p in prange(groups.size):
        n = groups[p]
        light, _, _ = _group_signal(signal[p], cumulative[p], first[p, :n], stop[p, :n], offset_bins[p])
        whole = np.zeros(signal.shape[1] + 1)
        for g in range(n):
            factor = np.exp(amplitude[p] + charge[p] + size[p, g] * shape[p, g])
            mu = light[g] * factor + dark_per_bin[p] * (stop[p, g] - first[p, g])
            if mu <= 0.0:
                continue
            weight = (counts[p, g] / mu - 1.0) * factor
            by_size[p, g] = weight * light[g] * shape[p, g]
            for edge, sign in ((stop[p, g], weight), (first[p, g], -weight)):
                position = edge - offset_bins[p]
                add_cumulative_pull_back(signal[p], position, sign, by_signal[p])
                whole[min(max(int(position), 0), signal.shape[1])] += sign
        total = 0.0
        for b in range(signal.shape[1] - 1, -1, -1):
            total += whole[b + 1]
            by_signal[p, b] += total
    return by_signal, by_size


@njit(cache=True, parallel=True)
def information_of_pairs(
    signal: Array,
    cumulative: Array,
    first: Index,
    stop: Index,
    groups: Index,
    counts: Array,
    dark_per_bin: Array,
    size: Array,
    correlation: Array,
    pair_size: Array,
    tail: float,
) -> Array:
    """Log det of the errors' Hessian over their prior's, and the information aa, at, tt, from the data.

    The Poisson weights are those of the counts themselves. Where they matter, the counts are so many that
    the errors u and z carry the expectation to the counts whatever the ice, so this holds for every ice.

    Returns
    -------
    ndarray, shape (pair, 4)
    """
    out = np.zeros((groups.size, 4))
    for p in prange(groups.size):
        n = groups[p]
        light, slope, _ = _group_signal(signal[p], cumulative[p], first[p, :n], stop[p, :n], 0.0)
        diagonal, beside, sides = np.empty(n), np.empty(max(n - 1, 1)), np.empty((2, n))
        weight = np.zeros(n)
        logdet = -_precision(correlation[p, :n], diagonal, beside)
        aa, at, tt = 0.0, 0.0, 0.0
        for g in range(n):
            dark = dark_per_bin[p] * (stop[p, g] - first[p, g])
            if counts[p, g] > dark and light[g] > 0.0:
                weight[g] = (counts[p, g] - dark) ** 2 / counts[p, g]
            diagonal[g] += size[p, g] ** 2 * weight[g]
            sides[0, g] = size[p, g] * weight[g]
            sides[1, g] = sides[0, g] * slope[g]
            aa += weight[g]
            at += weight[g] * slope[g]
            tt += weight[g] * slope[g] ** 2
        coupling = sides.copy()
        logdet += _solve_tridiagonal(diagonal, beside, sides)
        for g in range(n):
            aa -= coupling[0, g] * sides[0, g]
            at -= coupling[0, g] * sides[1, g]
            tt -= coupling[1, g] * sides[1, g]
        kappa = pair_size[p] ** -2
        left = kappa / (kappa + aa)
        out[p, 0] = logdet - np.log(left)
        out[p, 1], out[p, 2], out[p, 3] = aa * left, at * left, tt - at * at / (kappa + aa)
    return out
