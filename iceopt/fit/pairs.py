"""One pair of emitter and receiver: Poisson counts whose expectation the light model gets a little wrong.

In group g the expectation is

    mu_g = S_g exp(a + r_g t + u + s_g z_g) + D_g exp(d),

S_g the light model's counts at a reference clock offset, t the offset beyond it, r_g the rate of change of
ln S_g there (frozen, so the log density has a single peak), a the log of brightness x efficiency, D_g the
dark counts at the nominal rate and d the log of the receiver's own rate over it, u the model's error of the
pair's charge, z its error of the time profile: an Ornstein-Uhlenbeck process in ln(time) of unit variance,
so neighbouring groups err together. u has the hyperbolic density
exp(-d sqrt(d^2 + u^2/size^2)) (Barndorff-Nielsen, Proc. R. Soc. A 353, 401 (1977)): normal in the middle,
exponential beyond d sizes, so an odd bad pair pulls no harder than one that is d off, and the density keeps
a single peak. Given (a, t, d) the best u and z are found by Newton steps; their Hessian is tridiagonal plus a
border, so a step costs a few operations a group. What is left for the outer problem is a gradient and a
3 x 3 information in (a, t, d).
"""

from functools import partial

import numpy as np
from numba import njit
from numpy.typing import NDArray

from iceopt.abreast import in_shares

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_TOLERANCE = 1e-11
_LONGEST_STEP = 2.0
_MOST_STEPS = 100
_FAR = 10.0
"""Counts over light beyond which a pair may have a second peak."""
_NO_COUNTS = 1e-300


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
def _newton(  # noqa: PLR0912, PLR0915 (one Newton loop; the compiler keeps its scalars in registers)
    counts: Array,
    light: Array,
    rate: Array,
    dark: Array,
    size: Array,
    correlation: Array,
    own: Array,
    pair_size: float,
    tail: float,
    shape: Array,
    start: float,
    by: Array,
    information: Array,
) -> tuple[float, float]:
    """Find the best charge error u (from `start`) and profile errors z (`shape`, in place).

    `own` is (a, t, d); `by` and `information` get the gradient and the information in them, u and z
    eliminated. Returns the log density and u.
    """
    groups = counts.size
    prior = np.empty(groups)
    beside = np.empty(max(groups - 1, 1))
    precision(correlation, prior, beside)
    work = np.empty((4, groups))
    coupling = np.empty((3, groups))
    pivot = np.empty(groups)
    noise = np.exp(own[2])
    u = start
    variance = pair_size * pair_size
    farthest = 1.0 if tail > 0.0 else np.inf
    best, damp, du = -np.inf, 0.0, 0.0
    step_of_shape, side = np.zeros(groups), np.empty(groups)
    for step in range(_MOST_STEPS):
        root = np.sqrt(1.0 + tail * u * u / variance)
        kappa = 1.0 / (variance * root**3)
        # (root - 1)/tail = (u^2/variance)/(1 + root), which keeps its digits at u = 0 and allows tail = 0.
        value, pull = -u * u / (variance * (1.0 + root)), -u / (variance * root)
        by[:] = 0.0
        information[:] = 0.0
        for g in range(groups):
            light_now = light[g] * np.exp(own[0] + rate[g] * own[1] + u + size[g] * shape[g])
            dark_now = dark[g] * noise
            mu = light_now + dark_now
            residual, weight, crossed = 0.0, 0.0, 0.0
            if mu > 0.0:
                value += counts[g] - mu
                if counts[g] > 0.0:
                    value += counts[g] * np.log(mu / counts[g])
                residual = (counts[g] / mu - 1.0) * light_now
                weight, crossed = light_now * light_now / mu, light_now * dark_now / mu
                by[2] += (counts[g] / mu - 1.0) * dark_now
                information[2, 2] += dark_now * dark_now / mu
            smooth = _tridiagonal_row(prior, beside, shape, g)
            value -= 0.5 * shape[g] * smooth
            by[0] += residual
            by[1] += residual * rate[g]
            information[0, 0] += weight
            information[0, 1] += weight * rate[g]
            information[1, 1] += weight * rate[g] * rate[g]
            information[0, 2] += crossed
            information[1, 2] += crossed * rate[g]
            pivot[g] = prior[g] + size[g] * size[g] * weight
            side[g] = size[g] * residual - smooth
            coupling[0, g] = size[g] * weight
            coupling[1, g] = size[g] * weight * rate[g]
            coupling[2, g] = size[g] * crossed
            work[0, g] = side[g]
            for k in range(3):
                work[k + 1, g] = coupling[k, g]
        pull += by[0]
        if value < best - 1e-13 * abs(best) and damp > 1e-6 and step < _MOST_STEPS - 1:
            damp *= 0.5
            u -= damp * du
            for g in range(groups):
                shape[g] -= damp * step_of_shape[g]
            continue
        best = value
        solve_tridiagonal(pivot, beside, work)
        # Eliminate z: `work` holds T^-1 times the gradient and the columns of (a, t, d); that of u is a's.
        decrement = 0.0
        for g in range(groups):
            decrement += side[g] * work[0, g]
            pull -= coupling[0, g] * work[0, g]
            for k in range(3):
                by[k] -= coupling[k, g] * work[0, g]
                for m in range(k, 3):
                    information[k, m] -= coupling[k, g] * work[m + 1, g]
        du = pull / (kappa + information[0, 0])
        # The charge's density is all but straight in its tails: a step that trusts its curvature there goes
        # far beyond the peak, and back again.
        reach = farthest * (abs(u) + pair_size)
        du = min(max(du, -reach), reach)
        longest = abs(du)
        decrement += pull * du
        for g in range(groups):
            work[0, g] -= work[1, g] * du
            longest = max(longest, abs(du + size[g] * work[0, g]))
        if decrement < _TOLERANCE or step == _MOST_STEPS - 1:
            for k in range(3):
                by[k] -= information[0, k] * du
            _eliminate_charge(information, kappa)
            break
        damp = min(1.0, _LONGEST_STEP / longest)
        u += damp * du
        for g in range(groups):
            step_of_shape[g] = work[0, g]
            shape[g] += damp * work[0, g]
    return value, u


@njit(cache=True)
def _start(
    counts: Array, light: Array, dark: Array, own: Array, pair_size: float, tail: float, charge: float
) -> float:
    """Charge error to look from: a given one, or that with which the light meets the counts.

    Light far below the dark counts hardly changes the expectation, so the density has a peak without light
    beside the one with it, and Newton's steps find the nearer.
    """
    noise = np.exp(own[2])
    excess = np.sum(counts) - noise * np.sum(dark)
    bright = np.exp(own[0] + charge)
    met = bright * np.sum(light)
    if met <= 0.0 or excess <= _FAR * met:
        return charge
    matched = charge + np.log(excess / met)
    gain = 0.0
    for at, sign in ((charge, -1.0), (matched, 1.0)):
        scaled = (at / pair_size) ** 2
        gain -= sign * scaled / (1.0 + np.sqrt(1.0 + tail * scaled))
        for g in range(counts.size):
            mu = light[g] * np.exp(own[0] + at) + noise * dark[g]
            gain -= sign * mu
            if counts[g] > 0.0:
                gain += sign * counts[g] * np.log(max(mu, _NO_COUNTS))
    return matched if gain > 0.0 else charge


@njit(cache=True)
def _tridiagonal_row(diagonal: Array, beside: Array, values: Array, g: int) -> float:
    """Row g of a symmetric tridiagonal matrix times values."""
    total = diagonal[g] * values[g]
    if g > 0:
        total += beside[g - 1] * values[g - 1]
    if g < values.size - 1:
        total += beside[g] * values[g + 1]
    return total


@njit(cache=True)
def _eliminate_charge(information: Array, kappa: float) -> None:
    """Take the charge's error out of an information (upper half given) whose first column is also its own."""
    size = len(information)
    first = information[0].copy()
    for k in range(size):
        for m in range(k, size):
            information[k, m] -= first[k] * first[m] / (kappa + first[0])
            information[m, k] = information[k, m]
    # What is left of the first column is small against what it is made of: keep its digits.
    left = kappa / (kappa + first[0])
    for k in range(size):
        information[0, k] = information[k, 0] = first[k] * left


def solve_pairs(
    light: Array,
    rate: Array,
    groups: Index,
    counts: Array,
    dark: Array,
    size: Array,
    correlation: Array,
    own: Array,
    pair_size: Array,
    tail: float,
    shape: Array,
    charge: Array,
) -> tuple[Array, Array, Array]:
    """Best model errors of every pair, given amplitudes, clock offsets and dark rates.

    Parameters
    ----------
    light, rate, counts, dark, size, correlation : ndarray, shape (pair, group)
        The light model's counts, the derivative of their log to the clock offset, the counts seen, the dark
        counts at the nominal rate, the size of the profile's error, and its correlation with the next group.
    groups : ndarray of int, shape (pair,)
    own : ndarray, shape (pair, 3)
        a, t (in the unit of 1/rate) and d.
    pair_size : ndarray, shape (pair,)
        Size of the charge's error.
    tail : float
        1 / d^2 of the charge's error; 0 is Gaussian.
    shape, charge : ndarray, shape (pair, group) and (pair,)
        Start and result: the errors z and u.

    Returns
    -------
    value : ndarray, shape (pair,)
        Log density. Terms that depend only on the counts are left out.
    by_own : ndarray, shape (pair, 3)
    information : ndarray, shape (pair, 3, 3)
    """
    value, by, information = np.zeros(groups.size), np.zeros((groups.size, 3)), np.zeros((groups.size, 3, 3))
    by_pair = (light, rate, groups, counts, dark, size, correlation, own, pair_size, shape, charge)
    out = (value, by, information)
    in_shares(partial(_solve_pairs, tail), *by_pair, *out)
    return out


@njit(cache=True, nogil=True)
def _solve_pairs(
    tail: float,
    light: Array,
    rate: Array,
    groups: Index,
    counts: Array,
    dark: Array,
    size: Array,
    correlation: Array,
    own: Array,
    pair_size: Array,
    shape: Array,
    charge: Array,
    value: Array,
    by: Array,
    information: Array,
) -> None:
    for p in range(groups.size):
        n = groups[p]
        start = _start(counts[p, :n], light[p, :n], dark[p, :n], own[p], pair_size[p], tail, charge[p])
        value[p], charge[p] = _newton(
            counts[p, :n],
            light[p, :n],
            rate[p, :n],
            dark[p, :n],
            size[p, :n],
            correlation[p, :n],
            own[p],
            pair_size[p],
            tail,
            shape[p, :n],
            start,
            by[p],
            information[p],
        )


def information_of_pairs(
    slopes: Array,
    groups: Index,
    weight: Array,
    size: Array,
    correlation: Array,
    pair_size: Array,
    breadth: float,
) -> tuple[Array, Array]:
    """Log det of the errors' Hessian over their prior's, and the information in what the slopes are to.

    The charge's error has its prior's curvature at no error, but its log det is that of a normal density
    with the peak of its own: where the counts say much, the density there is all that counts of the prior.

    Parameters
    ----------
    slopes : ndarray, shape (pair, group, quantity)
        Derivatives of the log of the light to each quantity; the first is ln amplitude, whose slope is 1.
    weight : ndarray, shape (pair, group)
        Poisson weights.
    breadth : float
        Peak of a normal density of the charge error's size over that of its own density.

    Returns
    -------
    logdet : ndarray, shape (pair,)
    information : ndarray, shape (pair, quantity, quantity)
    """
    many = slopes.shape[2]
    logdets, information = np.zeros(groups.size), np.zeros((groups.size, many, many))
    by_pair = (slopes, groups, weight, size, correlation, pair_size)
    in_shares(partial(_information_of_pairs, breadth), *by_pair, logdets, information)
    return logdets, information


@njit(cache=True, nogil=True)
def _information_of_pairs(
    breadth: float,
    slopes: Array,
    groups: Index,
    weight: Array,
    size: Array,
    correlation: Array,
    pair_size: Array,
    logdets: Array,
    information: Array,
) -> None:
    many = slopes.shape[2]
    for p in range(groups.size):
        n = groups[p]
        diagonal, beside, sides = np.empty(n), np.empty(max(n - 1, 1)), np.empty((many, n))
        logdet = -precision(correlation[p, :n], diagonal, beside)
        for g in range(n):
            diagonal[g] += size[p, g] ** 2 * weight[p, g]
            for k in range(many):
                sides[k, g] = size[p, g] * weight[p, g] * slopes[p, g, k]
                for m in range(k, many):
                    information[p, k, m] += weight[p, g] * slopes[p, g, k] * slopes[p, g, m]
        coupling = sides.copy()
        logdet += solve_tridiagonal(diagonal, beside, sides)
        for g in range(n):
            for k in range(many):
                for m in range(k, many):
                    information[p, k, m] -= coupling[k, g] * sides[m, g]
        kappa = pair_size[p] ** -2
        logdets[p] = logdet + np.log1p(breadth**2 * information[p, 0, 0] / kappa)
        _eliminate_charge(information[p], kappa)
